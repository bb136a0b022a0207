"""A double of the station's engine for page tests: views are set by the test, calls are kept."""

import copy
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

from calibration.certificates import Certificate, Reference
from station.calibrating.calibrating import PAN_STEPS
from station.common import days
from station.errors import InputError
from station.given.config import BayConfig, demo_path, read_config
from station.record.ledger import Ledger, now
from station.shop import catalogue, entering, offered
from station.shop.catalogue import Catalogue

JOB_ID = "20261125-091500-a1b2c3"

COMPARTMENTS = [
    {
        "key": "b12_rear_axle",
        "vehicle": "Bus 12",
        "compartment": "rear axle",
        "capacity": "2.9 L",
        "grade": "75W-90",
        "method": "cover removed",
        "plug": "fill plug behind the fuel tank",
        "type": "midibus rear axle",
    },
    {
        "key": "b12_transfer",
        "vehicle": "Bus 12",
        "compartment": "transfer case",
        "capacity": "1.9 US quart",
        "grade": "ATF",
        "method": "drain plug",
        "plug": "fill plug on the rear face",
        "type": "",
    },
]
FLUIDS = [
    {"key": "gear_75w90", "name": "Gear oil 75W-90, fresh", "grade": "75W-90"},
    {"key": "gear_75w90_used", "name": "Gear oil 75W-90, used", "grade": "75W-90"},
    {"key": "atf", "name": "Automatic transmission fluid, fresh", "grade": "ATF"},
    {"key": "atf_used", "name": "Automatic transmission fluid, used", "grade": "ATF"},
]

IDLE: dict[str, Any] = {
    "seq": 1,
    "t_s": 100.0,
    "bay": "Bay 1",
    "backend": "simulated",
    "clock_synced": True,
    "speed": 1.0,
    "job": None,
    "stage": "idle",
    "stage_s": 0.0,
    "pan_g": 12.4,
    "pan_flow_g_s": 0.0,
    "drained_l": None,
    "drained_u95_l": None,
    "still_to_come_l": None,
    "still_to_come_u95_l": None,
    "wait_s": None,
    "steps": [],
    "leak_l_h": None,
    "leak_u95_l_h": None,
    "leak_limit_l_h": None,
    "leak_text": None,
    "metered_l": None,
    "overflow_l": None,
    "overflow_u95_l": None,
    "filled_l": None,
    "filled_u95_l": None,
    "target_l": None,
    "to_go_l": None,
    "flow_l_min": 0.0,
    "verdict": None,
    "p_short": None,
    "p_within": None,
    "p_over": None,
    "timer": None,
    "pump_on": False,
    "held": False,
    "latched": None,
    "blocked": "no job is open",
    "checklist": [],
    "next_marks": [],
    "faults": [],
    "notices": [],
    "temperatures_c": {"fluid_supply_c": 21.4, "air_c": 19.8},
}

JOB = {
    "job_id": JOB_ID,
    "vehicle": "Bus 12",
    "compartment": "rear axle",
    "technician": "M. Okafor",
    "grade": "75W-90",
    "drained_fluid": "Gear oil 75W-90, used",
    "fresh_fluid": "Gear oil 75W-90, fresh",
    "expected_from": "learned from 6 jobs",
    "capacity_text": "2.9 L",
    "listed_capacity_l": 2.9,
    "expected_fill_l": 2.871,
    "expected_fill_u95_l": 0.029,
    "method": "cover removed",
    "tolerance_minus_l": 0.1,
    "tolerance_plus_l": 0.1,
    "reference_temperature_c": 20.0,
}

_DRAINED = {
    "drained_l": 2.6213,
    "drained_u95_l": 0.0061,
    "still_to_come_l": 0.041,
    "still_to_come_u95_l": 0.012,
}
_FILLED = {
    **_DRAINED,
    "metered_l": 2.882,
    "overflow_l": 0.018,
    "overflow_u95_l": 0.006,
    "filled_l": 2.864,
    "filled_u95_l": 0.011,
    "target_l": 2.871,
    "to_go_l": 0.0,
    "verdict": "full",
    "p_short": 0.0,
    "p_within": 0.9997,
    "p_over": 0.0003,
    "blocked": "the pump runs in the fill stage only",
}
_OFF_STAGE = {"blocked": "the pump runs in the fill stage only"}


def _item(key: str, text: str, done: bool = False, caution: bool = False) -> dict[str, Any]:
    return {"key": key, "text": text, "done": done, "caution": caution}


def _next(mark: str, label: str, why: str | None = None) -> dict[str, Any]:
    return {"mark": mark, "label": label, "enabled": why is None, "why": why}


def pan_step(kind: str = "gulp", **changes: Any) -> dict[str, Any]:
    """One step on the pan, as a view or a report has it."""
    says = changes.get("says")
    known = {
        "id": "s1",
        "kind": kind,
        "t_s": 412.0,
        "kg": 0.048,
        "counted_kg": 0.024 if kind == "gulp" else 0.0,
        "says": says,
        "asked": kind == "gulp" and says is None,
        "may_answer": kind in ("gulp", "object", "flush"),
        "utc": "2026-11-25T12:03:20+00:00",
    }
    return known | changes


STAGE_VIEWS: dict[str, dict[str, Any]] = {
    "plan": {
        **_OFF_STAGE,
        "target_l": 2.871,
        "to_go_l": 2.871,
        "checklist": [
            _item("supported", "Vehicle level and on rated stands, wheels chocked.", True, True),
            _item(
                "fill_plug", "Fill plug loosened first: it must come out before anything is drained.", True
            ),
            _item(
                "hot", "Fluid cool enough to touch the housing. Gloves and eye protection on.", False, True
            ),
            _item("pan", "Pan on its cells under the outlet, nothing leaning on it."),
        ],
        "next_marks": [
            _next("pan_placed", "Pan placed"),
            _next("drain_open", "Drain opened", "first: Pan placed"),
        ],
    },
    "drain": {
        **_OFF_STAGE,
        "drained_l": 1.904,
        "drained_u95_l": 0.0052,
        "pan_g": 1688.0,
        "pan_flow_g_s": 14.2,
        "checklist": [_item("clear", "Face and arms out of the stream; no naked flame.", False, True)],
        "next_marks": [_next("drain_done", "Drain done: take the figure")],
        "temperatures_c": {"fluid_drained_c": 48.6, "fluid_supply_c": 21.4, "air_c": 19.8},
    },
    "drip": {
        **_OFF_STAGE,
        **_DRAINED,
        "wait_s": 190.0,
        "steps": [pan_step("object", id="s1", kg=0.02), pan_step("gulp", id="s2")],
        "pan_g": 2313.0,
        "pan_flow_g_s": 0.3,
        "next_marks": [_next("drain_done", "Drain done: take the figure")],
        "temperatures_c": {"fluid_drained_c": 41.2, "fluid_supply_c": 21.4, "air_c": 19.8},
    },
    "reseal": {
        **_OFF_STAGE,
        **_DRAINED,
        "steps": [pan_step(says="fluid"), pan_step("flush", id="s2", kg=0.0)],
        "timer": {"what": "cure", "left_s": 844.2, "of_s": 1200.0},
        "checklist": [_item("torque", "Bolts or drain plug to the manual's torque.")],
        "next_marks": [_next("fill_start", "Start the fill before the sealant has cured")],
    },
    "fill": {
        **_DRAINED,
        "metered_l": 2.443,
        "overflow_l": 0.0,
        "overflow_u95_l": 0.006,
        "filled_l": 2.443,
        "filled_u95_l": 0.0095,
        "target_l": 2.871,
        "to_go_l": 0.428,
        "flow_l_min": 1.83,
        "verdict": "short",
        "p_short": 1.0,
        "p_within": 0.0,
        "p_over": 0.0,
        "pump_on": True,
        "held": True,
        "blocked": None,
        "checklist": [
            _item("hose", "Hose seated in the fill plug hole, hand on it while the pump turns.", True, True),
            _item("pan_there", "Pan still below the plug, to catch what runs over.", True),
        ],
        "next_marks": [_next("level_seen", "Level seen at the plug"), _next("fill_done", "Fill done")],
    },
    "settle": {
        **_FILLED,
        "timer": {"what": "settle", "left_s": 81.0, "of_s": 120.0},
        "checklist": [_item("level", "Level at the plug looked at with the vehicle level.")],
        "next_marks": [
            _next("level_seen", "Level seen at the plug"),
            _next("fill_start", "Top up"),
            _next("plug_in", "Fill plug in"),
        ],
    },
    "leak watch": {
        **_FILLED,
        "leak_l_h": 0.004,
        "leak_u95_l_h": 0.019,
        "leak_limit_l_h": 0.0304,
        "leak_text": "No leak above 31 mL/h.",
        "timer": {"what": "leak watch", "left_s": 132.0, "of_s": 180.0},
        "checklist": [_item("dry", "Housing wiped dry; pan left alone.")],
        "next_marks": [_next("close", "Close the job")],
    },
    "closed": {**_FILLED},
    "abandoned": {**_OFF_STAGE, **_DRAINED},
}


PUMP: dict[str, Any] = {
    "interlock": None,
    "found": None,
    "remedy": None,
    "reason_allowed": False,
    "stop_open": False,
    "fine": False,
    "running_s": None,
    "limit_s": None,
    "overrun_l": None,
    "stops_learned": 0,
    "air_l": 0.0,
    "air_u95_l": 0.0,
    "purging": False,
    "purge_possible": False,
    "purge_needed_l": 0.0,
    "doubts": {},
    "purge_l": 0.0,
    "purged_l": 0.0,
}
"""A pump that nothing holds off."""


def pump_of(**changes: Any) -> dict[str, Any]:
    """The pump's part of a view, with changes. Raises KeyError for a name that it does not have."""
    for name in changes:
        PUMP[name]
    return PUMP | changes


def view_of(stage: str, **changes: Any) -> dict[str, Any]:
    """A plausible view of a stage, with changes."""
    view = copy.deepcopy(IDLE)
    if stage != "idle":
        view |= {"job": dict(JOB), "stage": stage, "stage_s": 42.0, **copy.deepcopy(STAGE_VIEWS[stage])}
    return view | changes


def _budget(quantity: str, value: float, u: float, terms: list[tuple[str, float]]) -> dict[str, Any]:
    parts = [{"name": n, "u": u * s**0.5, "share": s, "dof": None} for n, s in terms]
    return {
        "quantity": quantity,
        "unit": "L",
        "value": value,
        "u": u,
        "dof": None,
        "coverage_factor": 1.96,
        "u95": 1.96 * u,
        "terms": parts,
    }


def job_record(job_id: str = JOB_ID, *, notices: int = 2, stage: str = "closed") -> dict[str, Any]:
    """What the engine returns of one job."""
    view = view_of("closed")
    figures = (
        "drained_l drained_u95_l still_to_come_l still_to_come_u95_l metered_l overflow_l overflow_u95_l filled_l "
        "filled_u95_l target_l verdict p_short p_within p_over"
    ).split()
    texts = [
        "pan: nothing from 812.0 s to 813.6 s (1.6 s). The figures join what was read on both sides.",
        "The pan was not at rest when the drained figure was taken: u = 0.4 g. Keep hands off the pan.",
    ]
    report = {
        **{name: view[name] for name in figures},
        "metered_u95_l": 0.0092,
        "listed_capacity_l": 2.9,
        "expected_fill_l": 2.871,
        "expected_fill_u95_l": 0.029,
        "tolerance_minus_l": 0.1,
        "tolerance_plus_l": 0.1,
        "reference_temperature_c": 20.0,
        "level_seen": True,
        "leak_text": "No leak above 14 mL/h.",
        "leak_l_h": 0.002,
        "leak_u95_l_h": 0.008,
        "stage": stage,
        "notices": [{"kind": "gap", "text": texts[n % 2], "t_s": 812.0 + n} for n in range(notices)],
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
    labels = {name: JOB[name] for name in names.split()}
    torque = {"utc": "2026-11-25T09:52:10+00:00", "kind": "note", "text": "torque: cover bolts 42 N·m"}
    events = [
        {"utc": "2026-11-25T09:15:02+00:00", "kind": "check", "text": "done: Fill plug loosened first"},
        {"utc": "2026-11-25T09:17:40+00:00", "kind": "mark", "text": "drain_open"},
        torque,
        {"utc": "2026-11-25T10:05:00+00:00", "kind": "stage", "text": "closed"},
    ]
    return {
        "job_id": job_id,
        "opened_utc": "2026-11-25T09:15:00+00:00",
        "closed_utc": "2026-11-25T10:05:00+00:00",
        "clock_synced": True,
        "labels": labels,
        "capacity_text": "2.9 L",
        "method": "cover removed",
        "backend": "simulated",
        "report": report,
        "events": events,
        "notes": [torque],
    }


def job_row(number: int) -> dict[str, Any]:
    """A row of the job list; verdicts take turns."""
    verdict = ("full", "short", "undecided", "over")[number % 4]
    return {
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
        "drained_l": 2.62,
        "drained_u95_l": 0.006,
        "filled_l": 2.864,
        "filled_u95_l": 0.011,
        "verdict": verdict,
    }


@cache
def _catalogue() -> Catalogue:
    """The demo bay's own entries, with a container, a price and a type of compartment."""
    shop: Catalogue = Catalogue({table: {} for table in catalogue.TABLES})
    entries = {table: dict(rows) for table, rows in shop.entries.items()}
    changes = offered.from_config(read_config(demo_path()))
    for change in catalogue.body(changes, "test")["changes"]:
        catalogue.apply(entries, change, now().utc)
    shop = Catalogue(entries)
    more: list[tuple[str, dict[str, str]]] = [
        ("container", {"container": "drum 1", "fluid": "gear_75w90", "size": "60 L", "kind": "drum"}),
        ("price", {"fluid": "gear_75w90", "amount": "9.50", "per": "1 L", "currency": "EUR"}),
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


CERTIFICATES = (
    Certificate(
        number="Bay 1 pan 1",
        kind="pan",
        instrument="Bay 1 pan",
        made_at="2026-11-02T08:10:00+00:00",
        made_by="S. Adebayo-Reyes",
        valid_until="2099-11-02",
        references=(Reference("weights, set W3", 2.0, 0.00002, "kg", "W3-0417", "2099-05-01"),),
        conditions={"air °C": 18.0},
        data={"step": ["up", "up"], "load_kg": [0.0, 2.0], "count": [84213.0, 504304.0]},
        result={"line": {"u_rel": 0.0001}},
        statement="Chosen form: line. Relative standard uncertainty of the slope: 0.0001.",
    ),
    Certificate(
        number="Bay 1 meter 1",
        kind="meter",
        instrument="Bay 1 meter",
        made_at="2025-11-02T09:30:00+00:00",
        made_by="S. Adebayo-Reyes",
        valid_until="2026-11-01",
        references=(Reference("Bay 1 pan", 0.44, 0.00005, "kg", "Bay 1 pan 1"),),
        conditions={"air °C": 18.0},
        data={"pulses": [201, 202], "k_factor_per_l": [402.4, 402.6]},
        result={"k_factor_per_l": 402.5},
        statement="K-factor 402.5 pulses/L, U95 0.6 pulses/L (0.15%).",
    ),
)
"""A pan's certificate that holds and a meter's that ran out."""


def calibration_of(kind: str | None = None, **changes: Any) -> dict[str, Any]:
    """What the engine returns of its calibrations."""
    rows = [
        {
            **{
                name: getattr(c, name)
                for name in "number kind instrument made_at made_by valid_until".split()
            },
            "statement": c.statement,
            "valid": c.valid_on("2026-11-25"),
            "in_use": True,
        }
        for c in reversed(CERTIFICATES)
    ]
    return {
        "kind": kind,
        "steps": PAN_STEPS,
        "readings": [],
        "runs": [],
        "run_open": False,
        "run_volume_l": 0.5 if kind == "meter" else None,
        "run_metered_l": 0.0 if kind == "meter" else None,
        "due": "certificate Bay 1 meter 1 of the meter ran out on 2026-11-01",
        "certificates": rows,
        **changes,
    }


class FakeEngine:
    """Follows web.frame.port.Engine. calls: what the pages asked for, in order. fail: raised by the next change.

    ledger: a real one for the pages that read history; an empty one where none is given.
    """

    bay_name = "Bay 1"

    def __init__(
        self,
        view: dict[str, Any] | None = None,
        backend: str = "simulated",
        jobs: int = 3,
        ledger: Path | None = None,
    ) -> None:
        self.ledger = ledger
        self.zone = days.zone_of("Pacific/Auckland")
        self.shop = _catalogue()
        self.calibrations = calibration_of()
        self.found: dict[str, Any] = {"causes": [], "settles": []}
        self.backend = backend
        self.current = (view if view is not None else view_of("idle")) | {"backend": backend}
        self.calls: list[tuple[Any, ...]] = []
        self.fail: Exception | None = None
        self.rows = [job_row(number) for number in range(jobs)]
        self.records = {row["job_id"]: job_record(row["job_id"]) for row in self.rows}
        self.records[JOB_ID] = job_record()
        self._callbacks: list[Callable[[dict[str, Any]], None]] = []

    def publish(self, view: dict[str, Any]) -> None:
        """Hand a new view to every subscriber, from whichever thread the test is in."""
        self.current = view | {"seq": self.current["seq"] + 1, "backend": self.backend}
        for callback in list(self._callbacks):
            callback(self.current)

    @property
    def subscribers(self) -> int:
        return len(self._callbacks)

    def view(self) -> dict[str, Any]:
        return self.current

    def subscribe(self, callback: Callable[[dict[str, Any]], None]) -> Callable[[], None]:
        self._callbacks.append(callback)
        return lambda: self._callbacks.remove(callback)

    def plan_options(self) -> dict[str, Any]:
        return {
            "compartments": COMPARTMENTS,
            "fluids": FLUIDS,
            "methods": ["cover removed", "drain plug", "suction"],
            "technicians": ["M. Okafor", "J. Lindqvist"],
        }

    def _called(self, *call: Any) -> None:
        if self.fail is not None:
            raise self.fail
        self.calls.append(call)

    def plan_preview(self, form: dict[str, Any]) -> dict[str, Any]:
        self._called("plan_preview", form)
        text = "By the books drum 1 should hold 1.20 ± 0.30 L; 3.12 L are needed. Bring 2.22 L more."
        return {
            "expected_fill_l": 2.871,
            "expected_fill_u95_l": 0.029,
            "words": "listed",
            "supply": {"enough": False, "counted": True, "text": text},
            "service": {"state": "unknown", "text": "No change is on record here."},
        }

    def open_job(self, form: dict[str, Any]) -> str:
        self._called("open_job", form)
        return JOB_ID

    def check(self, key: str, done: bool) -> None:
        self._called("check", key, done)

    def mark(self, mark: str) -> None:
        self._called("mark", mark)

    def hold(self, held: bool) -> None:
        self.calls.append(("hold", held))

    def stop(self) -> None:
        self._called("stop")

    def top_up(self) -> None:
        self._called("top_up")

    def purge(self, begin: bool) -> None:
        self._called("purge", begin)

    def override(self, kind: str, reason: str) -> None:
        self._called("override", kind, reason)

    def answer(self, step_id: str, word: str) -> None:
        self._called("answer", step_id, word)

    def connect_drum(self, container: str, fluid: str, left: str) -> None:
        self._called("connect_drum", container, fluid, left)

    def clear_pump(self) -> None:
        self._called("clear_pump")

    def note(self, kind: str, text: str) -> None:
        self._called("note", kind, text)

    def abandon(self, reason: str) -> None:
        self._called("abandon", reason)

    def bench(self, verb: str) -> None:
        self._called("bench", verb)

    def truth(self) -> dict[str, float]:
        return {"drained_l": 2.66, "filled_l": 2.861, "overflow_l": 0.019}

    def jobs(
        self, limit: int = 50, before: str | None = None, vehicle: str | None = None
    ) -> list[dict[str, Any]]:
        rows = [row for row in self.rows if vehicle in (None, row["vehicle"])]
        ids = [row["job_id"] for row in rows]
        if before is not None and before not in ids:
            raise InputError(f"before is {before!r}; expected the id of a job.")
        start = 0 if before is None else ids.index(before) + 1
        return rows[start : start + limit]

    def job(self, job_id: str) -> dict[str, Any]:
        return self.records[job_id]

    def recording_csv(self, job_id: str) -> str:
        self.records[job_id]
        return "t_s,source,value\n0.0,pan,84213\n"

    def job_toml(self, job_id: str) -> str:
        self.records[job_id]
        return '[job]\ncapacity = "2.9 L"\n'

    def calibration(self) -> dict[str, Any]:
        return self.calibrations

    def calibrate(self, action: str, values: Mapping[str, Any]) -> dict[str, Any]:
        self._called("calibrate", action, dict(values))
        return self.calibrations

    def certificate(self, number: str) -> Certificate:
        return {c.number: c for c in CERTIFICATES}[number]

    def causes(self, job_id: str) -> dict[str, Any]:
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

    def enter(self, action: str, values: Mapping[str, Any]) -> dict[str, Any]:
        self._called("enter", action, dict(values))
        if action == "import":
            return entering.dry_run(self.shop, values["table"], values["data"]).to_dict()
        return dict(values)

    def photo(self, job_id: str, data: bytes, by: str, text: str) -> dict[str, Any]:
        self._called("photo", job_id, data, by, text)
        return {"name": f"{'0' * 64}.jpg", "by": by, "text": text}
