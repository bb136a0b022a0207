"""Hold to run, stop in time: decides from the state alone whether the pump may turn."""

import math

from hardware.sample import Sample
from station.common.evolve import evolve
from station.core import interlocks
from station.core.interlock_table import TABLE
from station.core.interlocks import delivered_l, target_l
from station.core.notice import Notice
from station.core.state import BayState, Hold, Purge, Run, Stray
from station.filling import air, metering
from station.filling.drum import Drum
from station.filling.overrun import Stop
from station.given.sources import name
from station.given.stages import BEFORE_FILL, DRAINING, FINISHED, Stage

__all__ = ["TOP_UP_L", "blocked", "control", "delivered_l", "overrun_forecast_l", "target_l"]

TOP_UP_L = 0.05
TARGET, LET_GO, LEVEL_SEEN = "target reached", "let go", "level seen at the plug"
LEARNED_FROM = (TARGET, LET_GO, LEVEL_SEEN)
STOPPED = "stopped at the page"
MISCOUNTS = ("no_flow", "flow_low", "sensor_silent", "meters_differ")
STEADY_S = 3.0
"""Shorter turns never reached the pump's flow: nothing is learned from them."""
STARTING_S = 2.5
STANDS_S, FOLLOW_S = 1.2, 6.0
SPARSE_S = 0.2
LATEST_S = 0.1
_NEEDED = ("pan", "meter", "fluid_supply_c")


def overrun_forecast_l(state: BayState) -> float:
    """What will still flow after the stop command.

    In the pump's first seconds the flow is not steady. What comes after a stop is then no more than what was
    commanded and has not come: a pump that lags when it stops lagged when it started.
    """
    meter, run = state.meter, state.pump.hold.run
    flow = metering.flow_l_min(meter, state.spec.meter.k_factor_per_l)
    running_s = state.t_s - run.t_s if run is not None else STARTING_S
    if run is None or running_s >= STARTING_S:
        return state.pump.overrun.forecast_l(flow * meter.factor, meter.kv_mm2_s, target_l(state))
    steady = max(flow, _steady_l_min(state))
    ahead_l = state.pump.overrun.forecast_l(steady * meter.factor, meter.kv_mm2_s, target_l(state))
    owed_l = steady * meter.factor / 60.0 * running_s - (delivered_l(state) - run.from_l)
    return max(0.0, min(ahead_l, owed_l))


def _steady_l_min(state: BayState) -> float:
    """The flow that a start leads to: as seen in this fill, else as the pump is known for, else 0."""
    watch, fine = state.meter.air, state.pump.hold.fine
    if watch.steady_n > 1 and not fine:
        return watch.steady_l_min
    can = state.pump_can_l_min(fine)
    return can or 0.0


def _now_l(state: BayState) -> float:
    """Delivered at this moment: the count, half a pulse, and what flowed since the count."""
    flow = metering.flow_l_min(state.meter, state.spec.meter.k_factor_per_l)
    since_s = min(LATEST_S, state.t_s - state.hearing.last_t_s.get("meter", state.t_s))
    half_l = 0.5 / state.spec.meter.k_factor_per_l if flow > 0 else 0.0
    return delivered_l(state) + (half_l + flow / 60.0 * since_s) * state.meter.factor


def blocked(state: BayState) -> str | None:
    """The first reason that keeps the pump off whoever holds the button; None when it may run."""
    reason = _unfit(state)
    if reason is not None:
        return reason
    found = interlocks.holds_off(state)
    return None if found is None else TABLE[found[0]].word


def _unfit(state: BayState) -> str | None:
    """What has been told already, or needs no notice."""
    if state.stage is not Stage.FILL and (state.supply.purge is None or state.stage not in BEFORE_FILL):
        return "the pump runs in the fill stage only"
    for source in _NEEDED:
        if source not in state.hearing.last_t_s:
            return f"no reading yet: {name(source)}"
        if source in state.hearing.silent:
            return f"no signal: {name(source)}"
    for source, fault in state.hearing.faults.items():
        if fault != "ok":
            return f"{name(source)}: {fault}"
    return None


def _held(hold: Hold, t_s: float, lapses_s: float) -> bool:
    return any(t_s - held <= lapses_s for held in hold.held_t_s.values())


def control(state: BayState, sample: Sample) -> BayState:
    """The hold's next state. The page's and the pendant's hold are heartbeats: silence lets go."""
    state = _heard(state, sample)
    if sample.source in ("meter", "pump", "mark", "drum", "tick"):
        state = _watch(state)
    hold = state.pump.hold
    if hold.run is not None:
        state = _follow(state, hold.run)
        hold = state.pump.hold
    if not _held(hold, state.t_s, state.settings.hold_lapses_s):
        # Letting go clears the latch, except that a target reached stays reached until a top-up moves it.
        if hold.running:
            state = _stop(state, LET_GO)
        return _latched(state, None) if state.pump.hold.latched is not None else state
    if hold.latched is None:
        state = _latch(state)
        hold = state.pump.hold
    if hold.latched is not None:
        return _stop(state, hold.latched) if hold.running else state
    return state if hold.running else _start(state)


# --- what is said -----------------------------------------------------------------------------------------------


def _heard(state: BayState, sample: Sample) -> BayState:
    hold, source, value = state.pump.hold, sample.source, sample.value
    if source in ("pendant", "hold"):
        held = {name: t for name, t in hold.held_t_s.items() if name != source}
        if value:
            held[source] = state.t_s
        return _with_hold(state, evolve(hold, held_t_s=held))
    if source == "stop" and value:
        return _latched(state, STOPPED)
    if source == "stop_open":
        return _with_hold(state, evolve(hold, stop_open=bool(value)))
    if source == "top_up" and state.fill.base is not None:
        base_l = max(hold.top_up_l, state.meter.volume_l - state.spec.expected_fill_l)
        return _with_hold(state, evolve(hold, top_up_l=base_l + float(value)))
    if source == "mark":
        return _marked(state, str(value))
    if source == "pump":
        return _switched(state, bool(value))
    if source == "purge":
        return _purge(state, float(value))
    if source == "drum":
        drum = Drum.from_text(str(value))
        supply = evolve(
            state.supply,
            drum=evolve(drum, total_l=state.meter.total_l),
            drum_from_l=state.meter.volume_l,
            poured_l=poured_l(state),
        )
        return _unwarned(evolve(state, supply=supply), "drum_low")
    if source == "override":
        kind, _, reason = str(value).partition(":")
        if kind in TABLE and TABLE[kind].reason and reason.strip():
            overrides = {**state.said.overrides, kind: reason.strip()}
            return evolve(state, said=evolve(state.said, overrides=overrides))
    return state


def _with_hold(state: BayState, hold: Hold) -> BayState:
    return evolve(state, pump=evolve(state.pump, hold=hold))


def _latched(state: BayState, why: str | None) -> BayState:
    return _with_hold(state, evolve(state.pump.hold, latched=why))


def _with_stray(state: BayState, stray: Stray) -> BayState:
    return evolve(state, pump=evolve(state.pump, stray=stray))


def _unwarned(state: BayState, *kinds: str) -> BayState:
    return evolve(state, telling=evolve(state.telling, warned=state.telling.warned - set(kinds)))


def poured_l(state: BayState) -> dict[str, float]:
    """Container → what the fill took out of it so far, litres."""
    poured = dict(state.supply.poured_l)
    volume_l = state.meter.volume_l - state.supply.drum_from_l
    if state.supply.drum is not None and volume_l > 0:
        poured[state.supply.drum.container] = poured.get(state.supply.drum.container, 0.0) + volume_l
    return poured


def _marked(state: BayState, mark: str) -> BayState:
    if mark == "level_seen":
        state = _latched(state, LEVEL_SEEN)
    if mark == "fill_start":
        state = _unwarned(state, "over_target", "drum_low")
        if state.supply.purge is not None:
            state = _purge(state, 0.0)
    return state


def _switched(state: BayState, on: bool) -> BayState:
    """The pump's relay as read back. Off: from here on nothing should flow."""
    stray, total_l = state.pump.stray, state.meter.total_l
    if stray is not None and stray.on == on:
        return state
    if on:
        return _with_stray(state, Stray(state.t_s, total_l, 0.0, on=True))
    flow = metering.flow_l_min(state.meter, state.spec.meter.k_factor_per_l)
    allowed_l = max(
        interlocks.STRAY_FIRST_L, flow / 60.0 * 3.0 * state.pump.overrun.seconds(state.meter.kv_mm2_s)
    )
    if (
        state.hearing.typical_s.get("meter", 0.0) > SPARSE_S
    ):  # its next count still holds what came before the stop
        allowed_l = math.inf
    if stray is None:  # it was off before anybody listened
        return _with_stray(state, Stray(state.t_s, total_l, allowed_l, base_l=total_l))
    return _with_stray(state, Stray(state.t_s, total_l, allowed_l))


def _purge(state: BayState, needed_l: float) -> BayState:
    """Begin a purge of so many litres, or end the one under way with 0."""
    if state.supply.purge is not None:
        purged_l = state.supply.purged_l + delivered_l(state)
        state = evolve(state, supply=evolve(state.supply, purge=None, purged_l=purged_l))
    if needed_l > 0 and state.stage in BEFORE_FILL:
        state = evolve(state, supply=evolve(state.supply, purge=Purge(state.meter.total_l, needed_l)))
    return state


# --- what is watched whoever holds ------------------------------------------------------------------------------


def _watch(state: BayState) -> BayState:
    stray = state.pump.stray
    if stray is not None and stray.base_l is None and not state.pump.on:
        settles_s = interlocks.STRAY_SETTLES_S + 1.5 * state.hearing.typical_s.get("meter", 0.0)
        if state.t_s - stray.t_s > settles_s:
            state = _with_stray(state, evolve(stray, base_l=state.meter.total_l))
    if state.stage in FINISHED:
        return state
    for kind, check in interlocks.ALWAYS.items():
        if kind in state.telling.warned and kind not in ("flow_while_stopped", "pump_stays_on"):
            continue
        if kind == "pan_nearly_full" and state.stage not in DRAINING:
            continue
        if kind == "hose_asks" and state.stage is not Stage.FILL:
            continue
        found = check(state)
        if found is None:
            continue
        if kind == "pump_stays_on" and state.pump.hold.tripped:
            continue
        state = _tell(state, kind, found)
        if kind == "flow_while_stopped" and state.pump.stray is not None:
            state = _with_stray(state, evolve(state.pump.stray, alarmed=True))
    return state


def _tell(state: BayState, kind: str, found: str) -> BayState:
    lock = TABLE[kind]
    notice = Notice(kind, interlocks.text(kind, found), state.t_s, lock.stops)
    hold = state.pump.hold
    if lock.trips:
        hold = evolve(hold, tripped=True)
    if lock.stops and hold.latched is None:
        hold = evolve(hold, latched=lock.word)
    if hold.run is not None and (lock.stops or kind == "air"):
        hold = evolve(hold, run=evolve(hold.run, clean=False))
    telling = evolve(
        state.telling, warned=state.telling.warned | {kind}, notices=(*state.telling.notices, notice)
    )
    return evolve(state, pump=evolve(state.pump, hold=hold), telling=telling)


# --- one turn of the pump ---------------------------------------------------------------------------------------


def _latch(state: BayState) -> BayState:
    """Why the pump must not run now, if there is a reason; told once in a notice where it is a fault."""
    reason = _unfit(state)
    if reason is not None:
        run = None if state.pump.hold.run is None else evolve(state.pump.hold.run, clean=False)
        return _with_hold(state, evolve(state.pump.hold, latched=reason, run=run))
    found = interlocks.holds_off(state)
    if found is None and state.pump.hold.running:
        found = interlocks.stops_run(state)
    if found is not None:
        return _tell(state, *found)
    if _now_l(state) + state.pump.hold.unsure_l + overrun_forecast_l(state) >= target_l(state):
        return _latched(state, TARGET)
    return state


def _start(state: BayState) -> BayState:
    pump, left_l = state.spec.pump, target_l(state) - delivered_l(state)
    fine = pump is not None and pump.fine_share > 0 and left_l <= pump.fine_l
    can = state.pump_can_l_min(fine)
    limit_s = state.settings.run_longest_s
    if can:
        # Two seconds for the start: a top-up of some millilitres takes no time at all.
        limit_s = min(limit_s, 1.5 * (left_l / (can * state.meter.factor) * 60.0 + 2.0))
        if pump is not None and pump.fine_share > 0 and not fine:
            limit_s += 1.5 * pump.fine_l / (can * pump.fine_share) * 60.0
    block = state.meter.air.block
    run = Run(
        state.t_s,
        delivered_l(state),
        limit_s,
        block=block,
        fine_t_s=state.t_s if fine else None,
        pan_kg=state.weighing.pan.median_kg if state.weighing.pan.window else None,
    )
    return _with_hold(
        state, evolve(state.pump.hold, running_since_t_s=state.t_s, fine=fine, tripped=False, run=run)
    )


def _stop(state: BayState, why: str) -> BayState:
    hold, run = state.pump.hold, state.pump.hold.run
    if run is not None and state.supply.purge is None:
        steady = state.t_s - max(run.t_s, run.fine_t_s or run.t_s) >= STEADY_S
        stop = Stop(
            t_s=state.t_s,
            target_l=target_l(state),
            cut_off_l=_now_l(state),
            forecast_l=overrun_forecast_l(state),
            final_l=delivered_l(state),
            flow_l_min=metering.flow_l_min(state.meter, state.spec.meter.k_factor_per_l) * state.meter.factor,
            kv_mm2_s=state.meter.kv_mm2_s,
            why=why,
            clean=run.clean and steady and why in LEARNED_FROM,
        )
        run = evolve(run, stop=stop)
        hold = _miscounted(state, hold.run, why) if hold.run is not None else hold
    elif run is not None:
        run = None
    return _with_hold(state, evolve(hold, running_since_t_s=None, stopped_t_s=state.t_s, fine=False, run=run))


def _miscounted(state: BayState, run: Run, why: str) -> Hold:
    """What may have come uncounted counts against the target: half of it once, when a kink or an air lock is as
    likely, and all of it when it happens again."""
    hold = state.pump.hold
    can = state.pump_can_l_min(hold.fine)
    if can is None or why not in (TABLE[kind].word for kind in MISCOUNTS):
        return hold
    could_l = can * state.meter.factor / 60.0 * (state.t_s - run.t_s)
    missing_l = max(0.0, could_l - (delivered_l(state) - run.from_l))
    share = 1.0 if hold.miscounts else 0.5
    return evolve(hold, miscounts=hold.miscounts + 1, unsure_l=hold.unsure_l + share * missing_l)


def _follow(state: BayState, run: Run) -> BayState:
    """Keep an eye on a turn: its flow while it runs, its overrun after it."""
    if run.stop is None:
        return _flowing(state, run) if state.pump.hold.running else state
    waited_s = state.t_s - run.stop.t_s
    stands = waited_s >= STANDS_S and state.t_s - state.meter.last_pulse_t_s >= STANDS_S
    if not stands and waited_s < FOLLOW_S:
        return state
    clean = run.clean and run.stop.clean and stands and state.meter.counting
    # Half a pulse on either side: the count at the stop had it, so has this one.
    half_l = 0.5 / state.spec.meter.k_factor_per_l * state.meter.factor
    stop = evolve(run.stop, final_l=delivered_l(state) + half_l, clean=clean)
    pump = evolve(
        state.pump,
        hold=evolve(state.pump.hold, run=None),
        stops=(*state.pump.stops, stop),
        overrun=state.pump.overrun.learn(stop),
    )
    return evolve(state, pump=pump)


def _flowing(state: BayState, run: Run) -> BayState:
    hold, pump, watch = state.pump.hold, state.spec.pump, state.meter.air
    changed = run
    if pump is not None and pump.fine_share > 0 and not hold.fine and _near(state, pump.fine_l):
        hold = evolve(hold, fine=True)
        changed = evolve(changed, fine_t_s=state.t_s, low_since_t_s=None, high_since_t_s=None)
    if watch.block != run.block:
        changed = evolve(_out_of_range(state, changed), block=watch.block)
    if interlocks.leaps(state):
        changed = evolve(changed, high_since_t_s=state.t_s - interlocks.FLOW_OUT_S)
    apart = interlocks.trains_apart(state)
    if apart != (run.apart_since_t_s is not None):
        changed = evolve(changed, apart_since_t_s=state.t_s if apart else None)
    if changed is run:
        return state
    return _with_hold(state, evolve(hold, run=changed))


def _near(state: BayState, fine_l: float) -> bool:
    return target_l(state) - _now_l(state) <= fine_l + overrun_forecast_l(state)


def _out_of_range(state: BayState, run: Run) -> Run:
    """Since when the flow is too low or too high, after one more block of it."""
    watch = state.meter.air
    can = state.pump_can_l_min(state.pump.hold.fine)
    began_s = watch.block_t_s - watch.block_s
    if not can or (run.fine_t_s is not None and began_s < run.fine_t_s + STARTING_S):
        return evolve(run, low_since_t_s=None, high_since_t_s=None)
    low, high = watch.flow_l_min < interlocks.FLOW_LOW * can, watch.flow_l_min > interlocks.FLOW_HIGH * can
    low = low and began_s > run.t_s + air.STARTING_S - 0.2
    return evolve(
        run,
        low_since_t_s=(began_s if run.low_since_t_s is None else run.low_since_t_s) if low else None,
        high_since_t_s=(began_s if run.high_since_t_s is None else run.high_since_t_s) if high else None,
    )
