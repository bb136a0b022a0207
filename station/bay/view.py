"""What a page needs to show one moment of the bay: plain data, absolute values, None where unknown."""

from collections.abc import Mapping
from typing import Any

from hardware.sample import Sample
from station.bay import checklist
from station.bay.supply_book import SupplyBook
from station.core import control, interlocks
from station.core.doubts import doubts
from station.core.notice import Notice
from station.core.state import BayState
from station.figures import balance
from station.filling import metering
from station.filling.hose import CRUMB_L


def job_view(state: BayState, job_id: str) -> dict[str, Any]:
    spec = state.spec
    names = ("vehicle", "compartment", "technician", "grade", "drained_fluid", "fresh_fluid", "expected_from")
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


def state_view(
    state: BayState, ticked: frozenset[str], came_utc: Mapping[str, str] | None = None
) -> dict[str, Any]:
    """The moving part of the view. ticked: keys of the checklist items that are done.

    came_utc: when each step on the pan was seen, where that is known.
    """
    figures = balance.report(state)
    budgets = figures.pop("budgets")
    del budgets  # the job's own page draws them
    running = checklist.timer(state)
    f = balance.drip_ahead(state)
    target_l = control.target_l(state)
    return {
        **figures,
        "steps": [{**row, "utc": (came_utc or {}).get(row["id"])} for row in figures["steps"]],
        "stage_s": state.t_s - state.stage_t_s if state.stage_t_s > float("-inf") else 0.0,
        "pan_flow_g_s": state.pan.flow_kg_s * 1000.0,
        "wait_s": f.wait_s if f is not None else None,
        "target_l": target_l,
        "to_go_l": max(0.0, target_l - control.delivered_l(state)),
        "flow_l_min": metering.flow_l_min(state.meter, state.spec.meter.k_factor_per_l),
        "timer": None if running is None else dict(zip(("what", "left_s", "of_s"), running, strict=True)),
        "pump_on": state.pump_on,
        "held": bool(state.hold.held_t_s),
        "latched": state.hold.latched,
        "blocked": control.blocked(state),
        "pump": _pump_view(state),
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


def _pump_view(state: BayState) -> dict[str, Any]:
    """What the pump's part of the page needs beside ``pump_on``, ``held``, ``latched`` and ``blocked``."""
    found, hold, purge = interlocks.holds_off(state), state.hold, state.purge
    kind = None if found is None else found[0]
    lock = None if kind is None else interlocks.TABLE[kind]
    run = hold.run
    return {
        "interlock": kind,
        "found": None if found is None else found[1],
        "remedy": None if lock is None else lock.remedy,
        "reason_allowed": lock is not None and lock.reason,
        "overrides": dict(state.overrides),
        "doubts": doubts(state),
        "stop_open": hold.stop_open,
        "fine": hold.fine,
        "running_s": None if hold.running_since_t_s is None else state.t_s - hold.running_since_t_s,
        "limit_s": None if run is None else run.limit_s,
        "expected_flow_l_min": state.pump_can_l_min(hold.fine),
        "overrun_l": control.overrun_forecast_l(state) if hold.running else None,
        "overrun_s": state.overrun.seconds(state.meter.kv_mm2_s),
        "stops_learned": state.overrun.stops,
        "unsure_l": hold.unsure_l,
        "air_l": state.meter.air_l,
        "air_u95_l": 2.0 * state.meter.u_air_l,
        "purging": purge is not None,
        "purge_needed_l": interlocks.purge_needed_l(state) if purge is None else purge.needed_l,
        "purge_l": 0.0 if purge is None else control.delivered_l(state),
        "purged_l": state.purged_l + (0.0 if purge is None else control.delivered_l(state)),
        "purge_possible": state.stage in control.PURGE_STAGES,
    }


def supply_view(book: SupplyBook, state: BayState | None) -> dict[str, Any]:
    """The container at the pump and the hose, as of now. state: of the open job."""
    drum = book.drum if state is None else state.drum
    total_l = 0.0 if state is None else state.meter.total_l
    now = None if drum is None else drum.now(total_l)
    hose = book.hose if state is None else book.hose_now(state)
    return {
        "container": None if now is None else now.container,
        "fluid": None if now is None else now.fluid,
        "grade": None if now is None else now.grade,
        "left_l": None if now is None else now.left_l,
        "left_u95_l": None if now is None else 2.0 * now.u_l,
        "hose_l": hose.volume_l or None,
        "hose": [
            {"fluid": s.fluid or "unknown", "grade": s.grade, "volume_l": s.volume_l}
            for s in hose.slugs
            if s.volume_l >= CRUMB_L
        ],
    }


def idle_view(latest: Mapping[str, Sample], told: Notice | None = None) -> dict[str, Any]:
    """The view between jobs: what the sensors say, and nothing measured. told: what went wrong since the last job."""
    empty = (
        "job drained_l drained_u95_l still_to_come_l still_to_come_u95_l wait_s metered_l metered_u95_l overflow_l "
        "overflow_u95_l filled_l filled_u95_l listed_capacity_l expected_fill_l expected_fill_u95_l tolerance_minus_l "
        "tolerance_plus_l reference_temperature_c wrong_fill air_l ran_over_at_l leak_l_h leak_u95_l_h leak_limit_l_h "
        "leak_text target_l to_go_l verdict p_short p_within p_over timer latched pump"
    ).split()
    states = {s.removesuffix("_state"): str(x.value) for s, x in latest.items() if s.endswith("_state")}
    pump = latest.get("pump")
    return {
        **dict.fromkeys(empty),
        "stage": "idle",
        "stage_s": 0.0,
        "level_seen": False,
        "steps": [],
        "pan_flow_g_s": 0.0,
        "flow_l_min": 0.0,
        "pump_on": pump is not None and bool(pump.value),
        "held": False,
        "blocked": "no job is open",
        "checklist": [],
        "next_marks": [],
        "faults": [{"source": s, "fault": w} for s, w in states.items() if w != "ok"],
        "notices": [] if told is None else [{"kind": told.kind, "text": told.text, "stops": told.stops}],
        "temperatures_c": {s: float(x.value) for s, x in latest.items() if s.endswith("_c")},
    }
