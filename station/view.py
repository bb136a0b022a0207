"""What a page needs to show one moment of the bay: plain data, absolute values, None where unknown."""

from collections.abc import Mapping
from typing import Any

from hardware.sample import Sample
from station import balance, checklist, control, metering
from station.state import BayState


def job_view(state: BayState, job_id: str) -> dict[str, Any]:
    spec = state.spec
    names = ("vehicle", "compartment", "technician", "grade", "drained_fluid", "fresh_fluid")
    return {
        "job_id": job_id,
        **{name: spec.labels.get(name, "") for name in names},
        "capacity_text": spec.capacity_text,
        "listed_capacity_l": spec.capacity_l,
        "expected_fill_l": spec.expected_fill_l,
        "expected_fill_u95_l": 2.0 * spec.u_retained_l,
        "method": spec.method,
        "tolerance_minus_l": spec.tolerance_minus_l,
        "tolerance_plus_l": spec.tolerance_plus_l,
        "reference_temperature_c": spec.reference_temperature_c,
    }


def state_view(state: BayState, ticked: frozenset[str]) -> dict[str, Any]:
    """The moving part of the view. ticked: keys of the checklist items that are done."""
    figures = balance.report(state)
    budgets = figures.pop("budgets")
    del budgets  # the job's own page draws them
    running = checklist.timer(state)
    f = balance.drip_ahead(state)
    target_l = control.target_l(state)
    return {
        **figures,
        "stage_s": state.t_s - state.stage_t_s if state.stage_t_s > float("-inf") else 0.0,
        "pan_flow_g_s": state.pan.flow_kg_s * 1000.0,
        "wait_s": f.wait_s if f is not None else None,
        "target_l": target_l,
        "to_go_l": max(0.0, target_l - state.meter.volume_l),
        "flow_l_min": metering.flow_l_min(state.meter, state.spec.meter.k_factor_per_l),
        "timer": None if running is None else dict(zip(("what", "left_s", "of_s"), running, strict=True)),
        "pump_on": state.pump_on,
        "held": bool(state.hold.held_t_s),
        "latched": state.hold.latched,
        "blocked": control.blocked(state),
        "checklist": [
            {"key": i.key, "text": i.text, "done": i.key in ticked, "caution": i.caution}
            for i in checklist.items(state)
        ],
        "next_marks": [
            {"mark": n.mark, "label": n.label, "enabled": n.why is None, "why": n.why}
            for n in checklist.next_marks(state, ticked)
        ],
        "faults": [{"source": s, "fault": w} for s, w in state.faults.items()]
        + [{"source": s, "fault": "silent"} for s in sorted(state.silent)],
        "notices": [{"kind": n.kind, "text": n.text, "stops": n.stops} for n in state.notices],
        "temperatures_c": dict(state.temperatures_c),
    }


def idle_view(latest: Mapping[str, Sample]) -> dict[str, Any]:
    """The view between jobs: what the sensors say, and nothing measured."""
    empty = (
        "job drained_l drained_u95_l still_to_come_l still_to_come_u95_l wait_s metered_l overflow_l overflow_u95_l "
        "filled_l filled_u95_l target_l to_go_l verdict p_short p_within p_over timer latched"
    ).split()
    states = {s.removesuffix("_state"): str(x.value) for s, x in latest.items() if s.endswith("_state")}
    pump = latest.get("pump")
    return {
        **dict.fromkeys(empty),
        "stage": "idle",
        "stage_s": 0.0,
        "pan_flow_g_s": 0.0,
        "flow_l_min": 0.0,
        "pump_on": pump is not None and bool(pump.value),
        "held": False,
        "blocked": "no job is open",
        "checklist": [],
        "next_marks": [],
        "faults": [{"source": s, "fault": w} for s, w in states.items() if w != "ok"],
        "notices": [],
        "temperatures_c": {s: float(x.value) for s, x in latest.items() if s.endswith("_c")},
    }
