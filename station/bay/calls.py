"""What a person may have done at the calibration desk and in the shop's books, each by a method of its own.

Every method may be called from any thread: the engine's thread does it, and the caller waits until it is on disk. Each
raises InputError, leaving all as it was, and LedgerError where the record does not take it yet.
"""

import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from typing import Any, Protocol, TypeVar

from calibration.certificates import Certificate, PanKind
from station.bay.loop import Loop
from station.calibrating.calibrating import CertificateEntry, PanStep, Reading, Run
from station.calibrating.density_desk import DensityPlan, Vessel
from station.calibrating.views import CalibrationView
from station.common import days
from station.common.words import _
from station.errors import InputError
from station.given.config import BayConfig
from station.learning import condition, sisters
from station.record.ledger import Ledger
from station.record.versions import At
from station.shop import changes as shop_changes
from station.shop import entering
from station.shop import lists as shop_lists
from station.shop.movement import Movement

T = TypeVar("T")


class InTheEngine(Protocol):
    """Has the engine's thread do something; returns what came of it."""

    def __call__(self, function: Callable[[], T], /) -> T: ...


class Calibrations:
    """The calibration under way, and the register of certificates."""

    def __init__(self, loop: Loop, call: InTheEngine) -> None:
        self._loop, self._desk, self._call = loop, loop.calibration, call

    def view(self) -> CalibrationView:
        return self._call(self._desk.view)

    def certificate(self, number: str) -> Certificate:
        """One certificate. Raises KeyError if unknown."""
        return {c.number: c for c in self._loop.published.newest.register}[number]

    def begin_pan(self, pan: PanKind = "pan") -> None:
        """pan: of the bay's pans, the one to calibrate."""
        self._call(lambda: self._loop.begin_calibration(lambda: self._desk.begin_pan(pan)))

    def begin_meter(self, fluid: str, volume_l: float) -> None:
        """fluid: a key of the bay's fluids. volume_l: of one run."""
        self._call(lambda: self._loop.begin_calibration(lambda: self._desk.begin_meter(fluid, volume_l)))

    def read(self, step: PanStep, load_kg: float, place: str = "") -> Reading:
        """Read the pan at rest under a known load."""
        return self._call(lambda: self._desk.read(step, load_kg, place))

    def strike(self, index: int, reason: str) -> Reading | Run:
        """Leave a reading or run, counted from 0, out of the result; returns it."""
        return self._call(lambda: self._desk.strike(index, reason))

    def begin_run(self) -> None:
        self._call(self._desk.begin_run)

    def end_run(self) -> None:
        self._call(self._desk.end_run)

    def drop_run(self) -> None:
        self._call(lambda: self._loop.give_up_run(self._desk.drop_run))

    def finish(self, entry: CertificateEntry) -> Certificate:
        """Write the certificate."""
        return self._call(lambda: self._desk.finish(entry))

    def abandon(self, reason: str) -> None:
        """Give the procedure up; its readings stay in the record."""
        self._call(lambda: self._loop.give_up_run(lambda: self._desk.abandon(reason)))

    def begin_density(self, plan: DensityPlan) -> None:
        """plan.fluid: a key of the catalogue's fluids."""

        def begin() -> None:
            fluid = self._loop.shop.config().fluids.get(plan.fluid)
            if fluid is None:
                raise InputError(
                    _("fluid is {fluid!r}, which the catalogue does not list. Enter it first.").format(
                        fluid=plan.fluid
                    )
                )
            self._desk.begin_density(plan, fluid)

        self._call(lambda: self._loop.begin_calibration(begin))

    def weigh_vessel(self, vessel: Vessel, temperature_c: float | None) -> None:
        """Read the pan at rest under the vessel. temperature_c: of what is in it."""
        self._call(lambda: self._desk.weigh_vessel(vessel, temperature_c))

    def save_density(self, by: str) -> None:
        """Enter the measured density for its fluid."""

        def save() -> None:
            self._loop.shop.enter("fluid", self._desk.need_density().entry(), by)
            self._desk.density_saved(by)

        self._call(save)

    def give_up_density(self, reason: str) -> None:
        """Its weighings stay in the record."""
        self._call(lambda: self._desk.give_up_density(reason))


class Entries:
    """What the shop keeps beside its jobs."""

    def __init__(self, loop: Loop, config: BayConfig, call: InTheEngine) -> None:
        self._loop, self._shop, self._config, self._call = loop, loop.shop, config, call
        self._one_photo = threading.Lock()

    def enter(self, table: str, texts: Mapping[str, str], by: str = "") -> bool:
        """Add or change an entry of the catalogue; whether that changed anything."""
        return self._call(lambda: self._shop.enter(table, texts, by))

    def retire(self, table: str, key: Sequence[str], by: str = "") -> None:
        """Take an entry out of the lists; its past stays."""
        self._call(lambda: self._shop.retire(table, key, by))

    def dry_run(self, table: str, data: bytes) -> entering.Import:
        """What importing a CSV file would change."""
        here, today = self._loop.published.newest.catalogue, f"{days.today(self._config.zone)}"
        return entering.dry_run(here, table, data, self._config.country, today)

    def import_file(self, table: str, data: bytes, name: str = "", by: str = "") -> entering.Import:
        """Import a CSV file whole, or not at all. name: the file's."""
        return self._call(lambda: self._shop.import_file(table, data, name, by))

    def take_lists(self, told: Sequence[Mapping[str, Any]]) -> At:
        """Bring what the shop changed in its lists into the catalogue, in order; how far the bay is then."""
        issues = [shop_lists.issue(one) for one in told]
        return self._call(lambda: self._shop.take_lists(issues))

    def take_fills(self, told: Sequence[Mapping[str, Any]]) -> At:
        """Put what the shop's other bays filled into the record, in order; how far the bay is then."""
        issues = [sisters.told_of(one) for one in told]
        return self._call(lambda: self._shop.take_fills(issues))

    def people_changed(self, changes: Sequence[Mapping[str, str]]) -> None:
        """Put changes of who may sign in into the record; what it has already it does not get again."""
        with closing(Ledger(self._config.ledger, read_only=True)) as ledger:
            known = set(shop_changes.people_in(ledger))
        new = [change for change in changes if change["id"] not in known]
        self._call(lambda: self._shop.people_changed(new))

    def note(self, kind: str, body: Mapping[str, Any]) -> None:
        """Put an entry into the record that belongs to no job and changes nothing in the books."""
        self._call(lambda: self._shop.note(kind, body))

    def move(self, movement: Movement) -> None:
        """Put a movement of fluid into the books."""
        self._call(lambda: self._shop.move(movement))

    def note_condition(self, job_id: str, noted: condition.Condition) -> None:
        """What a job's drained fluid looked and smelled like."""
        self._call(lambda: self._shop.note_condition(job_id, noted))

    def photo(self, job_id: str, data: bytes, by: str, text: str) -> condition.Photo:
        """Keep a photo of a job; the photo as kept. One at a time: its memory is bounded for one.

        Raises InputError for what is no JPEG or PNG, or too large, or one too many; StationError without room.
        """
        folder = condition.folder_of(self._config.ledger)
        # Decoded and stored by the caller's thread: the engine's has a pump's heartbeat to send.
        with self._one_photo:
            ledger = Ledger(self._config.ledger, read_only=True)
            try:
                condition.need_room(ledger, folder, job_id)
            finally:
                ledger.close()
            picture = condition.clean_photo(data)
            condition.store(folder, picture)
        self._call(lambda: self._shop.photo(job_id, picture, by, text))
        return picture
