"""A double of the station's engine for page tests: views are set by the test, calls are kept."""

import math
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

from calibration.budget import NORMAL_95, Budget, Term
from station.bay import health
from station.bay.commissioning import Commissioning
from station.bay.health import Health
from station.bay.plan import FluidOption, PlanForm, PlanOptions
from station.bay.views import BayView
from station.bay.watchdog import Turns
from station.common import days
from station.errors import InputError
from station.given.bench import BenchVerb
from station.given.config import BayConfig, Compartment, demo_path, read_config
from station.given.report import Report, Told
from station.given.said import Came, Mark, SetAside
from station.learning.expected import Expected
from station.record.archive import Entry, JobRecord
from station.record.finding import EVERY, Wanted
from station.record.ledger import JobRow, Ledger, now
from station.shop import catalogue, entering, offered
from station.shop.catalogue import Catalogue
from station.shop.due import next_service
from station.shop.preview import Preview
from station.shop.rows import TABLES
from station.shop.shop import Causes
from station.shop.stock import Enough
from tests.web.fake_desks import FakeCalibrations, FakeEntries, FakeNotices
from tests.web.fake_views import JOB, JOB_ID, view_of

OPTIONS = PlanOptions(
    compartments=(
        Compartment(
            "Bus 12",
            "rear axle",
            "2.9 L",
            "75W-90",
            "cover removed",
            "fill plug behind the fuel tank",
            "midibus rear axle",
            key="b12_rear_axle",
        ),
        Compartment(
            "Bus 12",
            "transfer case",
            "1.9 US quart",
            "ATF",
            "drain plug",
            "fill plug on the rear face",
            key="b12_transfer",
        ),
    ),
    fluids=(
        FluidOption("gear_75w90", "Gear oil 75W-90, fresh", "75W-90"),
        FluidOption("gear_75w90_used", "Gear oil 75W-90, used", "75W-90"),
        FluidOption("atf", "Automatic transmission fluid, fresh", "ATF"),
        FluidOption("atf_used", "Automatic transmission fluid, used", "ATF"),
    ),
    methods=("cover removed", "drain plug", "suction"),
    technicians=("M. Okafor", "J. Lindqvist"),
)
PREVIEW = Preview(
    "Gear oil 75W-90, fresh",
    Expected(2.871, 0.029 / NORMAL_95, 0.029 / NORMAL_95, 0, "listed", 0.0, 2.9),
    0.0,
    "drum 1",
    Enough("gear_75w90", 1, 3.12, 1.2, 0.3, 2.22, False, True),
    next_service("Bus 12", "rear axle", date(2026, 11, 25)),
    "2.9 L = 6.13 US pint = 3.06 US quart",
    pan="14.0 L are expected to come out; the pan takes 12.0 L more.",
)


def _budget(quantity: str, value: float, u: float, terms: list[tuple[str, float]]) -> Budget:
    parts = tuple(Term(n, u * s**0.5, s, math.inf) for n, s in terms)
    return Budget(quantity, "L", value, u, math.inf, 1.96, parts)


CHECKPOINT = """\
tallypan.example/bay-1
1207
z7GmbrL5u0wTt4nY2oXqJtJtP0yXwT9kDd8sZ0yE2mQ=

\u2014 tallypan.example/bay-1 wXyZ0Kx3tq7o5zFv3mB0vJrC2o4o8mYhQpJ4l3r8nN2cV5b6k7u8i9o0p1a2s3d4f5g6h7j8k9l0z1x2c3v4b5n6m7Q=
"""
"""As a station signs for its record; the figures in it are invented."""


def job_record(job_id: str = JOB_ID, *, notices: int = 2, stage: str = "closed") -> JobRecord:
    """What the engine returns of one job."""
    texts = [
        "pan: nothing from 812.0 s to 813.6 s (1.6 s). The figures join what was read on both sides.",
        "The pan was not at rest when the drained figure was taken: u = 0.4 g. Keep hands off the pan.",
    ]
    measured: dict[str, Any] = vars(view_of("closed").figures) | {
        "level_seen": True,
        "proved_fill_l": 2.864,
        "leak_text": "No leak above 14 mL/h.",
        "leak_l_h": 0.002,
        "leak_u95_l_h": 0.008,
        "stage": stage,
        "notices": tuple(Told("gap", texts[n % 2], 812.0 + n) for n in range(notices)),
        "budgets": {
            "drained": _budget(
                "drained",
                2.6213,
                0.0031,
                [
                    ("slope of the load-cell line", 0.62),
                    ("density", 0.21),
                    ("creep", 0.14),
                    ("indication", 0.03),
                ],
            ),
            "filled": _budget(
                "filled",
                2.864,
                0.0056,
                [("K-factor", 0.76), ("overflow", 0.2), ("temperature of the supply", 0.04)],
            ),
        },
    }
    names = "vehicle compartment technician grade drained_fluid fresh_fluid expected_from"
    return JobRecord(
        job_id=job_id,
        opened_utc="2026-11-25T09:15:00+00:00",
        closed_utc="2026-11-25T10:05:00+00:00",
        opened_by="M. Okafor",
        closed_by="J. Lindqvist",
        clock_synced=True,
        times_off_s=None,
        labels={name: getattr(JOB, name) for name in names.split()},
        distance_km=None,
        calibration_due="",
        capacity_text="2.9 L",
        method="cover removed",
        backend="simulated",
        software=None,
        report=Report(**measured),
        events=(
            Entry("2026-11-25T09:15:02+00:00", "check", "done: Fill plug loosened first", "M. Okafor"),
            Entry("2026-11-25T09:17:40+00:00", "mark", "drain_open", "M. Okafor"),
            Entry("2026-11-25T09:52:10+00:00", "note", "torque: cover bolts 42 N·m", "J. Lindqvist"),
            Entry("2026-11-25T10:05:00+00:00", "stage", "closed"),
        ),
    )


def measuring(record: JobRecord, **changes: Any) -> JobRecord:
    """The job with another report."""
    return replace(record, report=replace(record.measured, **changes))


def job_row(number: int) -> JobRow:
    """A row of the job list; verdicts take turns."""
    verdict = ("full", "short", "undecided", "over")[number % 4]
    known = {
        "job_id": f"202611{25 - number % 20:02d}-0915{number % 60:02d}-{number:06x}",
        "opened_utc": "2026-11-25T09:15:00+00:00",
        "closed_utc": "2026-11-25T10:05:00+00:00",
        "stage": "closed",
        "vehicle": f"Bus {1 + number % 14}",
        "compartment": ("rear axle", "transfer case", "gearbox")[number % 3],
        "technician": "M. Okafor",
        "grade": "75W-90",
        "listed_capacity_l": 2.9,
        "expected_fill_l": 2.871,
        "expected_fill_u95_l": 0.029,
        "drained_l": 2.62,
        "drained_u95_l": 0.006,
        "filled_l": 2.864,
        "filled_u95_l": 0.011,
        "verdict": verdict,
    }
    return JobRow.of(known)


@cache
def _catalogue() -> Catalogue:
    """The demo bay's own entries, with a container, a price and a type of compartment."""
    shop: Catalogue = Catalogue({table: {} for table in TABLES})
    entries = {table: dict(rows) for table, rows in shop.entries.items()}
    changes = offered.from_config(read_config(demo_path()))
    for change in catalogue.body(changes, "test")["changes"]:
        catalogue.apply(entries, change, now().utc)
    shop = Catalogue(entries)
    more: list[tuple[str, dict[str, str]]] = [
        ("container", {"container": "drum 1", "fluid": "gear_75w90", "size": "60 L", "kind": "drum"}),
        (
            "price",
            {"fluid": "gear_75w90", "since": "2026-01-01", "amount": "9.50", "per": "1 L", "currency": "EUR"},
        ),
        ("compartment", {**_listed(shop), "type": "midibus rear axle", "interval_months": "24"}),
    ]
    for table, fields in more:
        change = entering.enter(Catalogue(entries), table, fields)
        if change is not None:
            catalogue.apply(entries, catalogue.body([change], "test")["changes"][0], now().utc)
    return Catalogue(entries)


def _listed(shop: Catalogue) -> dict[str, str]:
    entry = shop.active("compartment")[0]
    return {"vehicle": entry.key[0], "compartment": entry.key[1], **entry.fields}


class FakeEngine:
    """Follows web.frame.port.Engine. calls: what the pages asked for, in order. fail: raised by the next change.

    ledger: a real one for the pages that read history; an empty one where none is given.
    """

    bay_name = "Bay 1"
    software = "3f2a91c0" * 8

    def __init__(
        self,
        view: BayView | None = None,
        backend: str = "simulated",
        jobs: int = 3,
        ledger: Path | None = None,
    ) -> None:
        self.ledger = ledger
        self.zone = days.zone_of("Pacific/Auckland")
        self.shop = _catalogue()
        self.calibrations = FakeCalibrations(self._called)
        self.entries = FakeEntries(self._called, self.shop)
        self.heard = {"pan": 84213.0, "meter": 41.0, "pendant": 0, "stop_open": 0}
        self.commissioning = Commissioning(
            (),
            ["pan", "meter", "pendant", "stop_open"],
            lambda: self.heard,
            lambda body: self._called("commissioning", body),
            lambda pan, count: (count - 84213.0) * 5e-6,
            time.monotonic,
        )
        self.notices: FakeNotices | None = FakeNotices(self._called)
        self.found = Causes()
        self.backend = backend
        self.invented_past = False
        self.current = replace(view if view is not None else view_of("idle"), backend=backend)
        self.calls: list[tuple[Any, ...]] = []
        self.fail: Exception | None = None
        self.well = Health(
            {"engine": health.engine_check(0.02), "clock": health.clock_check(False)},
            Turns(), 7, 1, 0, 9_000_000_000, {"closed": 3}, True, False, self.software,
        )  # fmt: skip
        self.rows = [job_row(number) for number in range(jobs)]
        self.records = {row.job_id: job_record(row.job_id) for row in self.rows}
        self.records[JOB_ID] = job_record()
        self._callbacks: list[Callable[[BayView], None]] = []

    def publish(self, view: BayView) -> None:
        """Hand a new view to every subscriber, from whichever thread the test is in."""
        self.current = replace(view, seq=self.current.seq + 1, backend=self.backend)
        for callback in list(self._callbacks):
            callback(self.current)

    @property
    def subscribers(self) -> int:
        return len(self._callbacks)

    def view(self) -> BayView:
        return self.current

    def health(self) -> Health:
        return self.well

    def subscribe(self, callback: Callable[[BayView], None]) -> Callable[[], None]:
        self._callbacks.append(callback)
        return lambda: self._callbacks.remove(callback)

    def plan_options(self) -> PlanOptions:
        return OPTIONS

    def _called(self, *call: Any) -> None:
        if self.fail is not None:
            raise self.fail
        self.calls.append(call)

    def plan_preview(self, form: PlanForm) -> Preview:
        self._called("plan_preview", form)
        return PREVIEW

    def open_job(self, form: PlanForm) -> str:
        self._called("open_job", form)
        return JOB_ID

    def check(self, key: str, done: bool) -> None:
        self._called("check", key, done)

    def mark(self, mark: Mark, reason: str = "", ask: bool = False) -> None:
        self._called("mark", mark, *([reason] if reason else []), *([True] if ask else []))

    def hold(self, held: bool) -> None:
        self.calls.append(("hold", held))

    def stop(self) -> None:
        self._called("stop")

    def top_up(self) -> None:
        self._called("top_up")

    def purge(self, begin: bool) -> None:
        self._called("purge", begin)

    def override(self, lock: SetAside, reason: str) -> None:
        self._called("override", lock, reason)

    def answer(self, step_id: str, came: Came) -> None:
        self._called("answer", step_id, came)

    def answer_interruption(self, pan_moved: bool, filled: bool) -> None:
        self._called("answer_interruption", pan_moved, filled)

    def weigh_container(self, which: str, kg: float, u_kg: float) -> None:
        self._called("weigh_container", which, kg, u_kg)

    def connect_drum(self, container: str, fluid: str, left_l: float) -> None:
        self._called("connect_drum", container, fluid, left_l)

    def clear_pump(self) -> None:
        self._called("clear_pump")

    def note(self, kind: str, text: str) -> None:
        self._called("note", kind, text)

    def abandon(self, reason: str) -> None:
        self._called("abandon", reason)

    def bench(self, verb: BenchVerb) -> None:
        self._called("bench", verb)

    def truth(self) -> dict[str, float]:
        return {"drained_l": 2.66, "filled_l": 2.861, "overflow_l": 0.019}

    def jobs(self, limit: int = 50, before: str | None = None, wanted: Wanted = EVERY) -> list[JobRow]:
        rows = [row for row in self.rows if wanted.fits(row)]
        ids = [row.job_id for row in rows]
        if before is not None and before not in ids:
            raise InputError(f"before is {before!r}; expected the id of a job.")
        start = 0 if before is None else ids.index(before) + 1
        return rows[start : start + limit]

    def job(self, job_id: str) -> JobRecord:
        return self.records[job_id]

    def checkpoint(self, job_id: str) -> str | None:
        return CHECKPOINT if job_id in self.records else None

    def recording_csv(self, job_id: str) -> str:
        self.records[job_id]
        return "t_s,source,value\n0.0,pan,84213\n"

    def job_toml(self, job_id: str) -> str:
        self.records[job_id]
        return '[job]\ncapacity = "2.9 L"\n'

    def causes(self, job_id: str) -> Causes:
        self.records[job_id]
        return self.found

    @contextmanager
    def reading(self) -> Iterator[Ledger]:
        ledger = Ledger(":memory:") if self.ledger is None else Ledger(self.ledger, read_only=True)
        try:
            yield ledger
        finally:
            ledger.close()

    def catalogue(self) -> Catalogue:
        return self.shop

    def settings(self) -> BayConfig:
        config = replace(read_config(demo_path()), zone=self.zone)
        return config if self.ledger is None else replace(config, ledger=self.ledger)
