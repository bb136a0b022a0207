"""The checks behind ``station.core.interlock_table``: each reads a state and says what it found, with its value.

They decide nothing; ``station.core.control`` does, by the table.
"""

from station.common.digits import number
from station.common.words import _
from station.core import warnings
from station.core.amounts import hose_foreign_l, target_l
from station.core.interlock_table import TABLE
from station.core.limits import LIMITS
from station.core.second_pan import Check, of_either, of_second
from station.core.state import BayState
from station.filling import metering
from station.filling.hose import same_grade
from station.filling.limits import LIMITS as FILLING


def _stop_pressed(state: BayState) -> str | None:
    return _("The stop button is pressed.") if state.pump.hold.stop_open else None


def _wrong_grade(state: BayState) -> str | None:
    labels, drum = state.spec.labels, state.supply.drum
    needs, has = labels.get("grade", ""), state.spec.fresh.grade or ""
    if drum is not None and labels.get("fluid") and drum.fluid != labels["fluid"]:
        planned, alike = state.spec.fresh, same_grade(drum.grade, has)
        return _("{container} at the pump holds {fluid}, the job is planned with {planned}.").format(
            container=drum.container,
            fluid=drum.fluid if alike else drum.grade or drum.fluid,
            planned=labels["fluid"] if alike else planned.grade or planned.label,
        )
    if not needs or not has or same_grade(needs, has) or state.spec.grade_reason:
        return None
    return _("The compartment takes {needs}, the container holds {has}.").format(needs=needs, has=has)


def _hose(state: BayState, same: bool) -> str | None:
    held_l, hose = hose_foreign_l(state), state.spec.hose
    if hose is None or state.supply.purge is not None or held_l < FILLING.crumb_l:
        return None
    needs = state.spec.labels.get("grade", "") or state.spec.fresh.grade or ""
    if (not hose.grade or same_grade(hose.grade, needs)) != same:
        return None
    return _("The hose holds {held_ml} mL of {fluid}.").format(
        held_ml=number(held_l * 1000, ".0f"), fluid=hose.fluid or _("an unknown fluid")
    )


def _supply_cold(state: BayState) -> str | None:
    pump, kv, supply_c = state.spec.pump, state.meter.kv_mm2_s, state.meter.supply_c
    if pump is None or kv is None or supply_c is None or kv <= pump.max_kv_mm2_s:
        return None
    return _("{kv} mm²/s at {supply_c} °C; the pump takes up to {max_kv_mm2_s} mm²/s.").format(
        kv=number(kv, ".0f"), supply_c=number(supply_c, ".1f"), max_kv_mm2_s=number(pump.max_kv_mm2_s, ".0f")
    )


def _pan_gained_kg(state: BayState) -> float | None:
    """What the pan weighs more than it did empty, whatever lies in it."""
    if state.drain.before is None or not state.weighing.pan.window:
        return None
    return state.weighing.pan.median_kg + state.weighing.pan.offset_kg - state.drain.before.kg


def _pan_missing(state: BayState) -> str | None:
    gained_kg = _pan_gained_kg(state)
    moved = [step for step in state.weighing.steps if step.kind in ("pan_lifted", "pan_back")]
    lifted = bool(moved) and moved[-1].kind == "pan_lifted"
    if gained_kg is not None and not lifted:
        gained_kg -= sum(step.kg for step in moved)  # emptied, or another pan: it was seen to come back
    if state.supply.purge is not None or gained_kg is None or not (lifted or gained_kg < -LIMITS.pan_gone_kg):
        return None
    return _("The pan weighs {lost_g} g less than it did empty.").format(
        lost_g=number(-gained_kg * 1000, ".0f")
    )


def _pan_l(state: BayState) -> float:
    gained_kg = _pan_gained_kg(state)
    density = state.spec.drained.density_kg_m3(state.spec.reference_temperature_c)
    return 0.0 if gained_kg is None else gained_kg / density * 1000.0


def _pan_full(state: BayState) -> str | None:
    content_l, room_l = _pan_l(state), state.settings.pan_room_l
    if state.supply.purge is not None or content_l < room_l:
        return None
    return _("The pan holds {content_l} L of {room_l} L.").format(
        content_l=number(content_l, ".2f"), room_l=number(room_l, ".2f")
    )


def _still_strays(state: BayState) -> str | None:
    stray = state.pump.stray
    if (
        stray is None
        or not stray.alarmed
        or state.pump.on
        or state.t_s - state.meter.last_pulse_t_s > LIMITS.stray_over_s
    ):
        return None
    return _("Fluid flows with the pump off.")


def _no_flow(state: BayState) -> str | None:
    run = state.pump.hold.run
    if run is None:
        return None
    limit_s, last_t_s = state.settings.no_flow_s, state.meter.last_pulse_t_s
    can = state.pump_can_l_min(state.pump.hold.fine)
    if can:
        # So many pulses late is no scatter; a pump that has to start first, or is slow, gets its time.
        pulse_s = 60.0 / (can * state.spec.meter.k_factor_per_l)
        late_s = max(LIMITS.late_pulses_least * pulse_s, min(limit_s, LIMITS.late_pulses * pulse_s))
        late_s = max(late_s, LIMITS.no_flow_least_s)
        starts_s = late_s + LIMITS.starts_times * state.pump.overrun.seconds(
            state.meter.kv_mm2_s
        )  # it starts as it stops
        limit_s = late_s if last_t_s - run.t_s > LIMITS.started_s else max(late_s, min(limit_s, starts_s))
    if state.t_s - max(run.t_s, last_t_s) <= limit_s:
        return None
    dry = (
        state.supply.drum is not None
        and state.supply.drum.now(state.meter.total_l).left_l < LIMITS.drum_empty_l
    )
    found = (
        _("No flow for {limit_s} s with the pump on. By the count, the drum is empty.")
        if dry
        else _("No flow for {limit_s} s with the pump on.")
    )
    return found.format(limit_s=number(limit_s, ".1f"))


def _flow(state: BayState, since_t_s: float | None, found: str) -> str | None:
    if since_t_s is None or state.t_s - since_t_s < LIMITS.flow_out_s or state.spec.pump is None:
        return None
    can = state.pump_can_l_min(state.pump.hold.fine)
    return found.format(flow_l_min=number(state.meter.air.flow_l_min, ".2f"), can=number(can or 0.0, ".2f"))


def leaps(state: BayState) -> bool:
    """Whether the newest count is far more than the pump could have moved since the one before it."""
    recent = state.meter.recent
    can = state.pump_can_l_min()
    if not can or len(recent) < 2:
        return False
    (before_s, before), (now_s, now) = recent[-2:]
    return (now - before) / state.spec.meter.k_factor_per_l > LIMITS.leap * can / 60.0 * (
        now_s - before_s
    ) + LIMITS.leap_l


def _flow_low(state: BayState) -> str | None:
    run = state.pump.hold.run
    return (
        None
        if run is None
        else _flow(
            state,
            run.low_since_t_s,
            _("{flow_l_min} L/min, and the pump should give {can} L/min: too little."),
        )
    )


def _flow_high(state: BayState) -> str | None:
    run = state.pump.hold.run
    return (
        None
        if run is None
        else _flow(
            state,
            run.high_since_t_s,
            _("{flow_l_min} L/min, and the pump should give {can} L/min: too much."),
        )
    )


def _too_long(state: BayState) -> str | None:
    run = state.pump.hold.run
    if run is None or state.t_s - run.t_s <= run.limit_s:
        return None
    return _("The pump has run for {limit_s} s without reaching the target.").format(
        limit_s=number(run.limit_s, ".0f")
    )


def _sensor_silent(state: BayState) -> str | None:
    limit_s = max(LIMITS.meter_silent_s, LIMITS.gap_times_typical * state.hearing.typical_s.get("meter", 0.0))
    silent_s = state.t_s - state.hearing.last_t_s.get("meter", state.t_s)
    return (
        _("Meter: no reading for {silent_s} s with the pump on.").format(silent_s=number(silent_s, ".2f"))
        if silent_s > limit_s
        else None
    )


def _runs_over(state: BayState) -> str | None:
    """The pan gains while the hose is in the plug, steadily and no faster than the pump can make it.

    What has been judged is in the window, and what waits for judgement in the episode: too long, for a stop. The least
    of the last readings is no kick's; more than the pump can have brought, or what leapt and then lies still, is
    something that was laid in.
    """
    run, track = state.pump.hold.run, state.weighing.pan
    began_kg = None if run is None else run.pan_kg if state.weighing.source == "pan" else run.pan_b_kg
    if run is None or began_kg is None or state.fill.base is None or state.supply.purge is not None:
        return None
    newest = (*track.window, *track.episode)[-LIMITS.over_blocks :]
    if len(newest) < LIMITS.over_blocks or (
        track.episode and newest[-1][1] - newest[0][1] < LIMITS.rising_kg
    ):
        return None
    density = state.spec.fresh.density_kg_m3(state.spec.reference_temperature_c)
    gained_kg = min(kg for _, kg in newest) - began_kg - state.weighing.drift.gained_kg(run.t_s, state.t_s)
    gained_l = gained_kg / density * 1000.0
    began_t_s = track.episode[0][0] if track.episode else run.t_s
    flow_l_s = metering.flow_l_min(state.meter, state.spec.meter.k_factor_per_l) / 60.0
    most_l = state.settings.runs_over_l
    if not most_l < gained_l <= most_l + flow_l_s * (state.t_s - began_t_s + 1.0):
        return None
    return _("{gained_ml} mL ran into the pan at {volume_l} L metered.").format(
        gained_ml=number(gained_l * 1000, ".0f"), volume_l=number(state.meter.volume_l, ".2f")
    )


def trains_apart(state: BayState) -> bool:
    """Whether the two trains differ by more than polling explains."""
    apart = metering.apart_pulses(state.meter)
    return apart > max(FILLING.trains_may_differ, FILLING.trains_may_differ_rel * state.meter.pulses)


def _meters_differ(state: BayState) -> str | None:
    run = state.pump.hold.run
    if run is None or run.apart_since_t_s is None or state.t_s - run.apart_since_t_s < LIMITS.apart_s:
        return None
    return _("The meter counted {pulses} pulses, its second train {pulses_b}.").format(
        pulses=state.meter.pulses, pulses_b=state.meter.pulses_b
    )


def _stray(state: BayState) -> str | None:
    stray = state.pump.stray
    if stray is None or state.pump.on or stray.alarmed:
        return None
    if stray.base_l is None:
        over_l = state.meter.total_l - stray.total_l
        return _ran(over_l) if over_l > stray.allowed_l else None
    over_l = state.meter.total_l - stray.base_l
    return _ran(over_l) if over_l >= LIMITS.stray_l else None


def _ran(over_l: float) -> str:
    return _("{over_ml} mL flowed with the pump off.").format(over_ml=number(over_l * 1000, ".0f"))


def _pump_stays_on(state: BayState) -> str | None:
    hold = state.pump.hold
    if not state.pump.on or hold.running or hold.stopped_t_s is None:
        return None
    return _("The pump stays on.") if state.t_s - hold.stopped_t_s > LIMITS.stays_on_s else None


def _over_target(state: BayState) -> str | None:
    if state.supply.purge is not None or not state.meter.counting:
        return None
    target, volume_l = target_l(state), state.meter.volume_l
    if volume_l <= target + max(LIMITS.over_l, LIMITS.over_rel * target):
        return None
    return _("{volume_l} L metered; the target is {target} L.").format(
        volume_l=number(volume_l, ".2f"), target=number(target, ".2f")
    )


def _pan_nearly_full(state: BayState) -> str | None:
    content_l, room_l = _pan_l(state), state.settings.pan_room_l
    return (
        _("The pan holds {content_l} L of {room_l} L.").format(
            content_l=number(content_l, ".2f"), room_l=number(room_l, ".2f")
        )
        if content_l > LIMITS.pan_nearly * room_l
        else None
    )


BEFORE: dict[str, Check] = {
    "stop_pressed": _stop_pressed,
    "wrong_grade": _wrong_grade,
    "hose_holds": lambda state: _hose(state, same=False),
    "supply_cold": _supply_cold,
    "pan_missing": of_either(_pan_missing),
    "pan_full": of_either(_pan_full),
    "flow_while_stopped": _still_strays,
}
WHILE: dict[str, Check] = {
    "no_flow": _no_flow,
    "flow_low": _flow_low,
    "flow_high": _flow_high,
    "too_long": _too_long,
    "sensor_silent": _sensor_silent,
    "meters_differ": _meters_differ,
    "runs_over": of_either(_runs_over),
    "over_target": _over_target,
}
ALWAYS: dict[str, Check] = {
    "flow_while_stopped": _stray,
    "pump_stays_on": _pump_stays_on,
    "over_target": _over_target,
    "air": warnings.air,
    "flow_unlike": warnings.flow_unlike,
    "container_grew": warnings.container_grew,
    "drum_low": warnings.drum_low,
    "hose_asks": lambda state: _hose(state, same=True),
    "pan_small": warnings.pan_small,
    "pan_nearly_full": _pan_nearly_full,
    "pan_b_nearly_full": of_second(_pan_nearly_full),
}


def text(kind: str, found: str) -> str:
    """The notice's text: what was found, why that may be, what to do."""
    lock = TABLE[kind]
    return f"{found} {_(lock.cause)} {_(lock.remedy)}"


def holds_off(state: BayState) -> tuple[str, str] | None:
    """The first interlock that keeps the pump from starting, and what it found."""
    for kind, check in BEFORE.items():
        if kind not in state.said.overrides and (found := check(state)) is not None:
            return kind, found
    return None


def stops_run(state: BayState) -> tuple[str, str] | None:
    """The first interlock that stops a running pump, and what it found."""
    for kind, check in WHILE.items():
        if (found := check(state)) is not None:
            return kind, found
    return None


def table() -> list[dict[str, object]]:
    """The table as plain data, for a page."""
    return [{"kind": kind, **vars(lock)} for kind, lock in TABLE.items()]
