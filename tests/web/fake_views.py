"""Plausible views of every stage, of the same types that the station publishes."""

from dataclasses import replace
from typing import Any

from station.bay.views import (
    BayView,
    FiguresView,
    ItemView,
    JobView,
    MarkView,
    PumpView,
    StepView,
    SupplyView,
    TimerView,
)
from station.given.report import PanStep
from station.given.said import Mark

JOB_ID = "20261125-091500-a1b2c3"

IDLE = BayView(
    seq=1,
    t_s=100.0,
    bay="Bay 1",
    backend="simulated",
    clock_synced=True,
    speed=1.0,
    pan_g=12.4,
    supply=SupplyView(),
    temperatures_c={"fluid_supply_c": 21.4, "air_c": 19.8},
)

JOB = JobView(
    job_id=JOB_ID,
    vehicle="Bus 12",
    compartment="rear axle",
    technician="M. Okafor",
    grade="75W-90",
    drained_fluid="Gear oil 75W-90, used",
    fresh_fluid="Gear oil 75W-90, fresh",
    expected_from="learned from 6 jobs",
    capacity_text="2.9 L",
    listed_capacity_l=2.9,
    expected_fill_l=2.871,
    expected_fill_u95_l=0.029,
    method="cover removed",
    tolerance_minus_l=0.1,
    tolerance_plus_l=0.1,
    reference_temperature_c=20.0,
)

_PLANNED = FiguresView(
    listed_capacity_l=2.9,
    expected_fill_l=2.871,
    expected_fill_u95_l=0.029,
    tolerance_minus_l=0.1,
    tolerance_plus_l=0.1,
    reference_temperature_c=20.0,
)
_DRAINED = replace(
    _PLANNED,
    drained_l=2.6213,
    drained_u95_l=0.0061,
    still_to_come_l=0.041,
    still_to_come_u95_l=0.012,
)
_FILLED = replace(
    _DRAINED,
    metered_l=2.882,
    metered_u95_l=0.0092,
    overflow_l=0.018,
    overflow_u95_l=0.006,
    filled_l=2.864,
    filled_u95_l=0.011,
    verdict="full",
    p_short=0.0,
    p_within=0.9997,
    p_over=0.0003,
)
_OFF_STAGE: dict[str, Any] = {"blocked": "the pump only runs in the fill stage"}
_OVER: dict[str, Any] = {**_OFF_STAGE, "figures": _FILLED, "target_l": 2.871, "to_go_l": 0.0}


def _item(key: str, text: str, done: bool = False, caution: bool = False) -> ItemView:
    return ItemView(key, text, done, caution)


def _next(mark: Mark, label: str, why: str | None = None) -> MarkView:
    return MarkView(mark, label, why)


def pan_row(kind: str = "gulp", **changes: Any) -> PanStep:
    """One step on the pan, as a job's report has it."""
    says = changes.get("says")
    known: dict[str, Any] = {
        "id": "s1",
        "kind": kind,
        "t_s": 412.0,
        "kg": 0.048,
        "counted_kg": 0.024 if kind == "gulp" else 0.0,
        "says": says,
        "asked": kind == "gulp" and says is None,
        "may_answer": kind in ("gulp", "object", "flush"),
    }
    return PanStep(**known | changes)


def pan_step(kind: str = "gulp", utc: str | None = "2026-11-25T12:03:20+00:00", **changes: Any) -> StepView:
    """One step on the pan, as a view has it."""
    return StepView(**vars(pan_row(kind, **changes)), utc=utc)


STAGE_VIEWS: dict[str, dict[str, Any]] = {
    "plan": {
        **_OFF_STAGE,
        "figures": _PLANNED,
        "target_l": 2.871,
        "to_go_l": 2.871,
        "checklist": (
            _item("supported", "Vehicle level and on rated stands, wheels chocked.", True, True),
            _item(
                "fill_plug", "Fill plug loosened first: it must come out before anything is drained.", True
            ),
            _item(
                "hot", "Fluid cool enough to touch the housing. Gloves and eye protection on.", False, True
            ),
            _item("pan", "Pan on its cells under the outlet, nothing leaning on it."),
        ),
        "next_marks": (
            _next(Mark.PAN_PLACED, "Pan placed"),
            _next(Mark.DRAIN_OPEN, "Drain opened", "first: Pan placed"),
        ),
    },
    "drain": {
        **_OFF_STAGE,
        "figures": replace(_PLANNED, drained_l=1.904, drained_u95_l=0.0052),
        "pan_g": 1688.0,
        "pan_flow_g_s": 14.2,
        "checklist": (_item("clear", "Face and arms out of the stream; no naked flame.", False, True),),
        "next_marks": (_next(Mark.DRAIN_DONE, "Drain done: take the figure"),),
        "temperatures_c": {"fluid_drained_c": 48.6, "fluid_supply_c": 21.4, "air_c": 19.8},
    },
    "drip": {
        **_OFF_STAGE,
        "figures": _DRAINED,
        "wait_s": 190.0,
        "steps": (pan_step("object", id="s1", kg=0.02), pan_step("gulp", id="s2")),
        "pan_g": 2313.0,
        "pan_flow_g_s": 0.3,
        "next_marks": (_next(Mark.DRAIN_DONE, "Drain done: take the figure"),),
        "temperatures_c": {"fluid_drained_c": 41.2, "fluid_supply_c": 21.4, "air_c": 19.8},
    },
    "reseal": {
        **_OFF_STAGE,
        "figures": _DRAINED,
        "steps": (pan_step(says="fluid"), pan_step("flush", id="s2", kg=0.0)),
        "timer": TimerView("cure", 844.2, 1200.0),
        "checklist": (_item("torque", "Bolts or drain plug to the manual's torque."),),
        "next_marks": (_next(Mark.FILL_START, "Sealant not cured: fill all the same"),),
    },
    "fill": {
        "figures": replace(
            _DRAINED,
            metered_l=2.443,
            metered_u95_l=0.0092,
            overflow_l=0.0,
            overflow_u95_l=0.006,
            filled_l=2.443,
            filled_u95_l=0.0095,
            verdict="short",
            p_short=1.0,
            p_within=0.0,
            p_over=0.0,
        ),
        "target_l": 2.871,
        "to_go_l": 0.428,
        "flow_l_min": 1.83,
        "pump_on": True,
        "held": True,
        "blocked": None,
        "checklist": (
            _item("hose", "Hose seated in the fill plug hole, hand on it while the pump turns.", True, True),
            _item("pan_there", "Pan still below the plug, to catch what runs over.", True),
        ),
        "next_marks": (_next(Mark.LEVEL_SEEN, "Level seen at the plug"), _next(Mark.FILL_DONE, "Fill done")),
    },
    "settle": {
        **_OVER,
        "timer": TimerView("settle", 81.0, 120.0),
        "checklist": (_item("level", "Level at the plug looked at with the vehicle level."),),
        "next_marks": (
            _next(Mark.LEVEL_SEEN, "Level seen at the plug"),
            _next(Mark.FILL_START, "Top up"),
            _next(Mark.PLUG_IN, "Fill plug in"),
        ),
    },
    "leak watch": {
        **_OVER,
        "figures": replace(
            _FILLED,
            leak_l_h=0.004,
            leak_u95_l_h=0.019,
            leak_limit_l_h=0.0304,
            leak_text="No leak above 31 mL/h.",
        ),
        "timer": TimerView("leak watch", 132.0, 180.0),
        "checklist": (_item("dry", "Housing wiped dry; pan left alone."),),
        "next_marks": (_next(Mark.CLOSE, "Close the job"), _next(Mark.FILL_START, "Plug out again: top up")),
    },
    "closed": _OVER,
    "abandoned": {**_OFF_STAGE, "figures": _DRAINED},
}


PUMP = PumpView(
    interlock=None,
    found=None,
    remedy=None,
    reason_allowed=False,
    overrides={},
    doubts={},
    stop_open=False,
    fine=False,
    running_s=None,
    limit_s=None,
    expected_flow_l_min=None,
    overrun_l=None,
    overrun_s=0.35,
    stops_learned=0,
    unsure_l=0.0,
    too_little_left=False,
    air_l=0.0,
    air_u95_l=0.0,
    purging=False,
    purge_needed_l=0.0,
    purge_l=0.0,
    purged_l=0.0,
    purge_possible=False,
)
"""A pump that nothing holds off."""


def pump_of(**changes: Any) -> PumpView:
    """The pump's part of a view, with changes."""
    return replace(PUMP, **changes)


def view_of(stage: str, **changes: Any) -> BayView:
    """A plausible view of a stage, with changes to it or to its figures."""
    view = IDLE
    if stage != "idle":
        view = replace(IDLE, job=JOB, stage=stage, stage_s=42.0, pump=PUMP, **STAGE_VIEWS[stage])
    measured = {name: changes.pop(name) for name in set(changes) & set(FiguresView.__dataclass_fields__)}
    return replace(view, figures=replace(view.figures, **measured), **changes)
