"""What the engine needs of its hardware, whichever stands behind it."""

from typing import Protocol

from station.given.bench import BenchVerb
from station.given.job import JobSpec


class RigPort(Protocol):
    """The devices of one bay, opened; each pushes samples into the callback it was given."""

    @property
    def backend(self) -> str: ...

    def beat(self, run: bool, fine: bool = False) -> bool: ...

    def trip_pump(self) -> bool: ...

    def clear_pump(self) -> bool: ...

    def set_lamp(self, pattern: str) -> None: ...

    def beep(self, n: int = 1) -> None: ...

    def close(self) -> None: ...


class BenchPort(Protocol):
    """Whoever stands in for the technician's hands on a simulated bay; a real bay has none."""

    @property
    def speed(self) -> float:
        """Simulated seconds in a real one."""

    def do(self, verb: BenchVerb) -> None:
        """Raises InputError where the bay lacks what the verb needs."""

    def new_vehicle(self, spec: JobSpec) -> None: ...

    def stage_changed(self, stage: str) -> None: ...

    def truth(self) -> dict[str, float]:
        """True volumes at the reference temperature, litres."""
