"""What the pages need of the station. ``station.engine.Engine`` is one; tests bring a small double."""

from collections.abc import Callable
from typing import Any, Protocol


class Engine(Protocol):
    """Every method may be called from any thread and returns quickly.

    Raises station.errors.InputError for a person's mistake (its text is for the page) and StationError where the
    station itself cannot do what was asked. Values are absolute, JSON-able, None where unknown.
    """

    backend: str
    """"simulated" or "pi"."""
    bay_name: str

    def view(self) -> dict[str, Any]:
        """The newest view of the bay."""

    def subscribe(self, callback: Callable[[dict[str, Any]], None], /) -> Callable[[], None]:
        """Call back with each new view, from a thread of the engine's. Returns what ends it."""

    def plan_options(self) -> dict[str, Any]: ...

    def open_job(self, form: dict[str, Any], /) -> str:
        """Open a job from the plan form; returns its id."""

    def check(self, key: str, done: bool, /) -> None: ...

    def mark(self, mark: str, /) -> None: ...

    def hold(self, held: bool, /) -> None:
        """The page's hold-to-run: True at least every 100 ms while held, False once on release."""

    def stop(self) -> None:
        """Stop the pump whoever holds it; it stays off until every control has been let go."""

    def top_up(self) -> None: ...

    def note(self, kind: str, text: str, /) -> None: ...

    def abandon(self, reason: str, /) -> None: ...

    def bench(self, verb: str, /) -> None:
        """Handle the simulated bay."""

    def truth(self) -> dict[str, float]:
        """What the simulation knows: drained_l, filled_l, overflow_l."""

    def jobs(self, limit: int = 50, before: str | None = None) -> list[dict[str, Any]]:
        """Jobs, newest first. before: a job's id, to go on behind it."""

    def job(self, job_id: str, /) -> dict[str, Any]:
        """All that is recorded of one job. Raises KeyError for an unknown id."""

    def recording_csv(self, job_id: str, /) -> str: ...

    def job_toml(self, job_id: str, /) -> str: ...
