"""What the pages need of the station. ``station.bay.engine.Engine`` is one; tests bring a small double."""

from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from typing import Literal, Protocol

from calibration.certificates import Certificate
from station.bay.commissioning import Commissioning
from station.bay.health import Health
from station.bay.notice_book import Lacking
from station.bay.plan import PlanForm, PlanOptions
from station.bay.views import BayView
from station.calibrating.calibrating import CertificateEntry, PanStep, Reading, Run
from station.calibrating.density_desk import DensityPlan, Vessel
from station.calibrating.views import CalibrationView
from station.given.bench import BenchVerb
from station.given.config import BayConfig
from station.given.said import Came, Mark, SetAside
from station.learning.condition import Condition, Photo
from station.record.archive import JobRecord
from station.record.finding import EVERY, Wanted
from station.record.ledger import JobRow, Ledger
from station.shop.catalogue import Catalogue
from station.shop.entering import Import
from station.shop.movement import Movement
from station.shop.preview import Preview
from station.shop.shop import Causes


class Calibrations(Protocol):
    """The calibration under way, and the register of certificates; see ``station.bay.calls.Calibrations``."""

    def view(self) -> CalibrationView: ...

    def certificate(self, number: str, /) -> Certificate:
        """One certificate. Raises KeyError if unknown."""

    def begin_pan(self, pan: Literal["pan", "pan_b"], /) -> None: ...

    def begin_meter(self, fluid: str, volume_l: float, /) -> None: ...

    def read(self, step: PanStep, load_kg: float, place: str, /) -> object: ...

    def strike(self, index: int, reason: str, /) -> Reading | Run:
        """Leave a reading or run out; returns it."""

    def begin_run(self) -> None: ...

    def end_run(self) -> None: ...

    def drop_run(self) -> None: ...

    def finish(self, entry: CertificateEntry, /) -> Certificate: ...

    def abandon(self, reason: str, /) -> None: ...

    def begin_density(self, plan: DensityPlan, /) -> None: ...

    def weigh_vessel(self, vessel: Vessel, temperature_c: float | None, /) -> None: ...

    def save_density(self, by: str, /) -> None: ...

    def give_up_density(self, reason: str, /) -> None: ...


class Entries(Protocol):
    """What the shop keeps beside its jobs, on disk when a method returns; see ``station.bay.calls.Entries``."""

    def enter(self, table: str, texts: Mapping[str, str], by: str, /) -> bool:
        """Add or change an entry of the catalogue; whether that changed anything."""

    def retire(self, table: str, key: Sequence[str], by: str, /) -> None: ...

    def dry_run(self, table: str, data: bytes, /) -> Import:
        """What importing a CSV file would change."""

    def import_file(self, table: str, data: bytes, name: str, by: str, /) -> Import: ...

    def move(self, movement: Movement, /) -> None: ...

    def note_condition(self, job_id: str, noted: Condition, /) -> None: ...

    def photo(self, job_id: str, data: bytes, by: str, text: str, /) -> Photo:
        """Keep a photo of a job; the photo as kept."""


class Notices(Protocol):
    """What other systems are told; see ``station.bay.notice_book.NoticeBook``."""

    def lacking(self) -> list[Lacking]: ...

    def again(self, receiver: str, /) -> int:
        """Have everything that a receiver has not taken tried at once; how many that is."""


class Engine(Protocol):
    """Every method may be called from any thread. What changes the record is on disk when it returns, which takes as long
    as the disk does; hold, stop, clear_pump and bench wait for nothing.

    Raises station.errors.InputError for a person's mistake (its text is for the page) and StationError where the
    station itself cannot do what was asked. Values are absolute, JSON-able, None where unknown.
    """

    backend: str
    """"simulated" or "pi"."""
    invented_past: bool
    """Whether the record begins with the simulated depot's invented years."""
    bay_name: str
    software: str
    """Identity of the software that runs, 64 hexadecimal digits."""

    @property
    def notices(self) -> Notices | None:
        """What this bay tells other systems by itself; None where it does not."""

    @property
    def calibrations(self) -> Calibrations: ...

    @property
    def entries(self) -> Entries: ...

    @property
    def commissioning(self) -> Commissioning: ...

    def view(self) -> BayView:
        """The newest view of the bay."""

    def health(self) -> Health:
        """Whether the station is well, and what it has done."""

    def subscribe(self, callback: Callable[[BayView], None], /) -> Callable[[], None]:
        """Call back with each new view, from a thread of the engine's. Returns what ends it."""

    def plan_options(self) -> PlanOptions: ...

    def plan_preview(self, form: PlanForm, /) -> Preview:
        """What a plan comes to before its job is opened."""

    def open_job(self, form: PlanForm, /) -> str:
        """Open a job from the plan form; returns its id."""

    def check(self, key: str, done: bool, /) -> None: ...

    def mark(self, mark: Mark, reason: str = "", ask: bool = False, /) -> None:
        """Set a mark. reason: why a job whose fill is not full is closed as it is. ask: whether somebody stands there who can be
        asked once whether it is so."""

    def hold(self, held: bool, /) -> None:
        """The page's hold-to-run: True at least every 100 ms while held, False once on release."""

    def stop(self) -> None:
        """Stop the pump whoever holds it; it stays off until every control has been let go."""

    def top_up(self) -> None: ...

    def purge(self, begin: bool, /) -> None:
        """Begin or end a purge of the hose into a waste vessel."""

    def override(self, lock: SetAside, reason: str, /) -> None:
        """Go on in spite of an interlock, with a reason for the record."""

    def answer(self, step_id: str, came: Came, /) -> None:
        """Say what a step on the pan was."""

    def weigh_container(self, which: str, kg: float, u_kg: float, /) -> None:
        """What a scale showed for the container, "before" or "after" the fill; u_kg: standard uncertainty of a weighing."""

    def connect_drum(self, container: str, fluid: str, left_l: float, /) -> None: ...

    def answer_interruption(self, pan_moved: bool, filled: bool, /) -> None:
        """Say what happened while the station was stopped in the middle of a job."""

    def clear_pump(self) -> None:
        """Clear what a trip latched, once its cause is found."""

    def note(self, kind: str, text: str, /) -> None: ...

    def abandon(self, reason: str, /) -> None: ...

    def bench(self, verb: BenchVerb, /) -> None:
        """Handle the simulated bay."""

    def truth(self) -> dict[str, float]:
        """What the simulation knows: drained_l, filled_l, overflow_l."""

    def jobs(self, limit: int = 50, before: str | None = None, wanted: Wanted = EVERY) -> list[JobRow]:
        """Jobs that are wanted, newest first. before: a job's id, to go on behind it."""

    def job(self, job_id: str, /) -> JobRecord:
        """All that is recorded of one job. Raises KeyError for an unknown id."""

    def checkpoint(self, job_id: str, /) -> str | None:
        """The signed checkpoint that was made when a job was closed; None where there is none."""

    def recording_csv(self, job_id: str, /) -> str: ...

    def job_toml(self, job_id: str, /) -> str: ...

    def causes(self, job_id: str, /) -> Causes:
        """Ranked likely causes of what a job came to, and what settles it. Raises KeyError for an unknown id."""

    def reading(self) -> AbstractContextManager[Ledger]:
        """A read-only ledger for the length of a with block."""

    def catalogue(self) -> Catalogue: ...

    def settings(self) -> BayConfig:
        """The bay's configuration with the catalogue's entries in it."""
