"""The checks behind ``station.core.interlock_table``: each reads a state and says what it found, with its value.

They decide nothing; ``station.core.control`` does, by the table.
"""

from collections.abc import Callable

from calibration.budget import expanded
from station.common.digits import stated
from station.core.amounts import delivered_l, hose_foreign_l, purge_needed_l, target_l
from station.core.interlock_table import TABLE
from station.core.limits import LIMITS
from station.core.state import BayState
from station.filling import metering
from station.filling.drum import short_by_l
from station.filling.hose import same_grade
from station.filling.limits import LIMITS as FILLING
from station.given.stages import NEEDS_FLUID

Check = Callable[[BayState], str | None]


def _stop_pressed(state: BayState) -> str | None:
    return "The stop button is pressed." if state.pump.hold.stop_open else None


def _wrong_grade(state: BayState) -> str | None:
    labels, drum = state.spec.labels, state.supply.drum
    needs, has = labels.get("grade", ""), state.spec.fresh.grade or ""
    if drum is not None and labels.get("fluid") and drum.fluid != labels["fluid"]:
        return f"{drum.container} at the pump holds {drum.fluid}, the job is planned with {labels['fluid']}."
    if not needs or not has or same_grade(needs, has) or state.spec.grade_reason:
        return None
    return f"The compartment takes {needs}, the container holds {has}."


def _hose(state: BayState, same: bool) -> str | None:
    held_l, hose = hose_foreign_l(state), state.spec.hose
    if hose is None or state.supply.purge is not None or held_l < FILLING.crumb_l:
        return None
    needs = state.spec.labels.get("grade", "") or state.spec.fresh.grade or ""
    if (not hose.grade or same_grade(hose.grade, needs)) != same:
        return None
    return f"The hose holds {held_l * 1000:.0f} mL of {hose.fluid or 'an unknown fluid'}."


def _supply_cold(state: BayState) -> str | None:
    pump, kv, supply_c = state.spec.pump, state.meter.kv_mm2_s, state.meter.supply_c
    if pump is None or kv is None or supply_c is None or kv <= pump.max_kv_mm2_s:
        return None
    return f"{kv:.0f} mm²/s at {supply_c:.1f} °C; the pump takes up to {pump.max_kv_mm2_s:.0f} mm²/s."


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
    return f"The pan weighs {-gained_kg * 1000:.0f} g less than it did empty."


def _pan_l(state: BayState) -> float:
    gained_kg = _pan_gained_kg(state)
    density = state.spec.drained.density_kg_m3(state.spec.reference_temperature_c)
    return 0.0 if gained_kg is None else gained_kg / density * 1000.0


def _pan_full(state: BayState) -> str | None:
    content_l, room_l = _pan_l(state), state.settings.pan_room_l
    if state.supply.purge is not None or content_l < room_l:
        return None
    return f"The pan holds {content_l:.2f} L of {room_l:.2f} L."


def _still_strays(state: BayState) -> str | None:
    stray = state.pump.stray
    if (
        stray is None
        or not stray.alarmed
        or state.pump.on
        or state.t_s - state.meter.last_pulse_t_s > LIMITS.stray_over_s
    ):
        return None
    return "Fluid flows with the pump off."


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
    return f"No flow for {limit_s:.1f} s with the pump on." + (
        " By the count, the drum is empty." if dry else ""
    )


def _flow(state: BayState, since_t_s: float | None, words: str) -> str | None:
    if since_t_s is None or state.t_s - since_t_s < LIMITS.flow_out_s or state.spec.pump is None:
        return None
    can = state.pump_can_l_min(state.pump.hold.fine)
    return (
        f"{state.meter.air.flow_l_min:.2f} L/min, and the pump should give {can or 0.0:.2f} L/min: {words}."
    )


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
    return None if run is None else _flow(state, run.low_since_t_s, "too little")


def _flow_high(state: BayState) -> str | None:
    run = state.pump.hold.run
    return None if run is None else _flow(state, run.high_since_t_s, "too much")


def _too_long(state: BayState) -> str | None:
    run = state.pump.hold.run
    if run is None or state.t_s - run.t_s <= run.limit_s:
        return None
    return f"The pump has run for {run.limit_s:.0f} s without reaching the target."


def _sensor_silent(state: BayState) -> str | None:
    limit_s = max(LIMITS.meter_silent_s, LIMITS.gap_times_typical * state.hearing.typical_s.get("meter", 0.0))
    silent_s = state.t_s - state.hearing.last_t_s.get("meter", state.t_s)
    return f"Meter: no reading for {silent_s:.2f} s with the pump on." if silent_s > limit_s else None


def _runs_over(state: BayState) -> str | None:
    """The pan gains while the hose is in the plug, steadily and no faster than the pump can make it.

    What has been judged is in the window, and what waits for judgement in the episode: too long, for a stop. The least
    of the last readings is no kick's; more than the pump can have brought, or what leapt and then lies still, is
    something that was laid in.
    """
    run, track = state.pump.hold.run, state.weighing.pan
    if run is None or run.pan_kg is None or state.fill.base is None or state.supply.purge is not None:
        return None
    newest = (*track.window, *track.episode)[-LIMITS.over_blocks :]
    if len(newest) < LIMITS.over_blocks or (
        track.episode and newest[-1][1] - newest[0][1] < LIMITS.rising_kg
    ):
        return None
    density = state.spec.fresh.density_kg_m3(state.spec.reference_temperature_c)
    gained_kg = min(kg for _, kg in newest) - run.pan_kg - state.weighing.drift.gained_kg(run.t_s, state.t_s)
    gained_l = gained_kg / density * 1000.0
    began_t_s = track.episode[0][0] if track.episode else run.t_s
    flow_l_s = metering.flow_l_min(state.meter, state.spec.meter.k_factor_per_l) / 60.0
    most_l = state.settings.runs_over_l
    if not most_l < gained_l <= most_l + flow_l_s * (state.t_s - began_t_s + 1.0):
        return None
    return f"{gained_l * 1000:.0f} mL ran into the pan at {state.meter.volume_l:.2f} L metered."


def trains_apart(state: BayState) -> bool:
    """Whether the two trains differ by more than polling explains."""
    apart = metering.apart_pulses(state.meter)
    return apart > max(FILLING.trains_may_differ, FILLING.trains_may_differ_rel * state.meter.pulses)


def _meters_differ(state: BayState) -> str | None:
    run = state.pump.hold.run
    if run is None or run.apart_since_t_s is None or state.t_s - run.apart_since_t_s < LIMITS.apart_s:
        return None
    return f"The meter counted {state.meter.pulses} pulses, its second train {state.meter.pulses_b}."


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
    return f"{over_l * 1000:.0f} mL flowed with the pump off."


def _pump_stays_on(state: BayState) -> str | None:
    hold = state.pump.hold
    if not state.pump.on or hold.running or hold.stopped_t_s is None:
        return None
    return "The pump stays on." if state.t_s - hold.stopped_t_s > LIMITS.stays_on_s else None


def _over_target(state: BayState) -> str | None:
    if state.supply.purge is not None or not state.meter.counting:
        return None
    target, volume_l = target_l(state), state.meter.volume_l
    if volume_l <= target + max(LIMITS.over_l, LIMITS.over_rel * target):
        return None
    return f"{volume_l:.2f} L metered; the target is {target:.2f} L."


def _air(state: BayState) -> str | None:
    track = state.meter
    if not track.air_l > 0:
        return None
    told = stated(track.air_l, expanded(track.u_air_l), 3)
    return f"About {told.value} mL of what was metered was air, give or take {told.u95} mL."


def _flow_unlike(state: BayState) -> str | None:
    """The pump's own record tells what its meter alone cannot: a fill that is off by less than a kink or a burst."""
    watch, bounds = state.meter.air, state.pump.usual.bounds()
    can = state.pump_can_l_min()
    if (
        bounds is None
        or not can
        or not state.pump.hold.running
        or state.pump.hold.fine
        or watch.steady_n < FILLING.steady_blocks
    ):
        return None
    share = watch.steady_l_min / can
    if bounds[0] <= share <= bounds[1]:
        return None
    return (
        f"{watch.steady_l_min:.2f} L/min, {100 * (share / state.pump.usual.mean - 1.0):+.0f} % against what this pump gave with "
        f"this fluid in {state.pump.usual.stops} earlier fills."
    )


def _drum_low(state: BayState) -> str | None:
    if state.supply.drum is None or state.stage not in NEEDS_FLUID:
        return None
    drum = state.supply.drum.now(state.meter.total_l)
    needed_l = max(0.0, target_l(state) - delivered_l(state)) + purge_needed_l(state)
    missing_l = short_by_l(drum, needed_l)
    if missing_l <= 0:
        return None
    return f"{drum.container} holds about {drum.left_l:.1f} L; this job needs {needed_l:.1f} L more."


def _pan_nearly_full(state: BayState) -> str | None:
    content_l, room_l = _pan_l(state), state.settings.pan_room_l
    return (
        f"The pan holds {content_l:.2f} L of {room_l:.2f} L."
        if content_l > LIMITS.pan_nearly * room_l
        else None
    )


BEFORE: dict[str, Check] = {
    "stop_pressed": _stop_pressed,
    "wrong_grade": _wrong_grade,
    "hose_holds": lambda state: _hose(state, same=False),
    "supply_cold": _supply_cold,
    "pan_missing": _pan_missing,
    "pan_full": _pan_full,
    "flow_while_stopped": _still_strays,
}
WHILE: dict[str, Check] = {
    "no_flow": _no_flow,
    "flow_low": _flow_low,
    "flow_high": _flow_high,
    "too_long": _too_long,
    "sensor_silent": _sensor_silent,
    "meters_differ": _meters_differ,
    "runs_over": _runs_over,
    "over_target": _over_target,
}
ALWAYS: dict[str, Check] = {
    "flow_while_stopped": _stray,
    "pump_stays_on": _pump_stays_on,
    "over_target": _over_target,
    "air": _air,
    "flow_unlike": _flow_unlike,
    "drum_low": _drum_low,
    "hose_asks": lambda state: _hose(state, same=True),
    "pan_nearly_full": _pan_nearly_full,
}


def text(kind: str, found: str) -> str:
    """The notice's text: what was found, why that may be, what to do."""
    lock = TABLE[kind]
    return f"{found} {lock.cause} {lock.remedy}"


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
