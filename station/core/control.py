"""Hold to run, stop in time: decides from the state alone whether the pump may turn."""

from hardware.sample import Sample
from station.common.evolve import evolve
from station.common.words import N_, _
from station.core import interlocks, lip, second_pan
from station.core.amounts import delivered_l, target_l
from station.core.commands import LEVEL_SEEN, hear
from station.core.devices import TOLD_ONLY
from station.core.forecast import now_l, overrun_forecast_l
from station.core.interlock_table import TABLE
from station.core.limits import LIMITS
from station.core.notice import Notice
from station.core.state import BayState, LipProof, latch, with_hold, with_stray
from station.core.turn import Hold, Run
from station.filling import metering
from station.filling.limits import LIMITS as FILLING
from station.filling.overrun import Stop
from station.given.sources import name
from station.given.stages import BEFORE_FILL, DRAINING, FINISHED, Stage

TARGET = N_("target reached")
LEARNED_FROM = (TARGET, lip.LET_GO, lip.UNHEARD, LEVEL_SEEN)
MISCOUNTS = ("no_flow", "flow_low", "sensor_silent", "meters_differ")
_NEEDED = ("pan", "meter", "fluid_supply_c")
_NEEDED_OF_TWO = (*_NEEDED, second_pan.SOURCE)


def blocked(state: BayState) -> str | None:
    """The first reason that keeps the pump off whoever holds the button; None when it may run."""
    reason = _unfit(state)
    if reason is not None:
        return reason
    found = interlocks.holds_off(state)
    return None if found is None else _(TABLE[found[0]].word)


def too_little_left(state: BayState) -> bool:
    """Whether what is left is less than the pump can give: its last turn was stopped for this target before anything came.

    As much may come after a stop as was commanded and has not come, so that a turn for a few millilitres ends before the
    pump's delay does, however often it is held."""
    stops = state.pump.stops
    if not stops or state.supply.purge is not None:
        return False
    last, pulse_l = stops[-1], state.meter.factor / state.spec.meter.k_factor_per_l
    nothing_came = last.why == TARGET and last.flow_l_min == 0.0 and last.overrun_l < pulse_l
    return nothing_came and target_l(state) - last.target_l < pulse_l


def _unfit(state: BayState) -> str | None:
    """What has been told already, or needs no notice."""
    if state.stage is not Stage.FILL and (state.supply.purge is None or state.stage not in BEFORE_FILL):
        return _("the pump only runs in the fill stage")
    for source in _NEEDED_OF_TWO if second_pan.fitted(state) else _NEEDED:
        if source not in state.hearing.last_t_s:
            return _("no reading yet: {sensor}").format(sensor=name(source))
        if source in state.hearing.silent:
            return _("no signal: {sensor}").format(sensor=name(source))
    for source, fault in state.hearing.faults.items():
        if fault != "ok" and source not in TOLD_ONLY:
            return f"{name(source)}: {_(fault)}"
    return None


def _held(hold: Hold, t_s: float, lapses_s: float) -> bool:
    return bool(hold.held_t_s) and t_s - max(hold.held_t_s.values()) <= lapses_s


def control(state: BayState, sample: Sample) -> BayState:
    """The hold's next state. The page's and the pendant's hold are heartbeats: silence lets go."""
    state = hear(state, sample)
    if sample.source in ("meter", "pump", "mark", "drum", "tick"):
        state = _watch(state)
    hold = state.pump.hold
    if hold.run is not None:
        state = _follow(state, hold.run)
        hold = state.pump.hold
    if not _held(hold, state.t_s, state.settings.hold_lapses_s):
        # Letting go clears the latch, except that a target reached stays reached until a top-up moves it.
        # A hold that lapsed still stands among the held: nobody said that it was released.
        why = lip.UNHEARD if hold.held_t_s else lip.LET_GO
        if hold.running:
            state = _stop(state, why)
        proof = lip.proving(state)
        if proof is not None and proof.steps:  # before its first step it waits to be held again
            state = lip.end(state, why)
        return latch(state, None) if state.pump.hold.latched is not None else state
    if hold.latched is None:
        state = _latch(state)
        hold = state.pump.hold
    proof = lip.proving(state)
    if hold.latched is not None:
        state = _stop(state, hold.latched) if hold.running else state
        return lip.end(state, hold.latched) if proof is not None and proof.steps else state
    if proof is not None:
        return _prove(state, proof)
    return state if hold.running else _start(state)


def _prove(state: BayState, proof: LipProof) -> BayState:
    """Step after step while it is held, each followed by a look at the pan."""
    if state.pump.hold.running:
        if now_l(state) + overrun_forecast_l(state) < target_l(state) and not _long_enough(state):
            return state
        return lip.stepped(_stop(state, lip.STEP), proof)
    why = lip.why_over(state, proof)
    if why is not None:
        return lip.end(latch(state, why), why)
    return _start(lip.next_step(state, proof)) if lip.due(state, proof) else state


def _long_enough(state: BayState) -> bool:
    """Whether a step has lasted as long as the pump needs for it, whatever the meter has counted."""
    run, can = state.pump.hold.run, state.pump_can_l_min(state.pump.hold.fine)
    if run is None or not can:
        return False
    could_l = can * state.meter.factor / 60.0 * (state.t_s - run.t_s)
    return could_l > LIMITS.lip_longer * (target_l(state) - run.from_l)


def _watch(state: BayState) -> BayState:
    state = _settles(state)
    if state.stage in FINISHED:
        return state
    warned, stage = state.telling.warned, state.stage
    for kind, check in interlocks.ALWAYS.items():
        if (kind in warned and kind not in _TOLD_EVERY_TIME) or (
            kind in _ASKED_IN and stage not in _ASKED_IN[kind]
        ):
            continue
        found = check(state)
        if found is None or (kind == "pump_stays_on" and state.pump.hold.tripped):
            continue
        state = _tell(state, kind, found)
        if kind == "flow_while_stopped" and state.pump.stray is not None:
            state = with_stray(state, evolve(state.pump.stray, alarmed=True))
    return state


def _settles(state: BayState) -> BayState:
    """Once what still had to come after a stop has come, anything more is stray."""
    stray = state.pump.stray
    if stray is None or stray.base_l is not None or state.pump.on:
        return state
    settles_s = LIMITS.stray_settles_s + LIMITS.stray_settles_times * state.hearing.typical_s.get(
        "meter", 0.0
    )
    if state.t_s - stray.t_s <= settles_s:
        return state
    return with_stray(state, evolve(stray, base_l=state.meter.total_l))


_TOLD_EVERY_TIME = frozenset({"flow_while_stopped", "pump_stays_on"})
_ASKED_IN = {
    "pan_small": frozenset({Stage.PLAN}),
    "pan_nearly_full": DRAINING,
    "pan_b_nearly_full": DRAINING,
    "hose_asks": frozenset({Stage.FILL}),
}
"""Warning → the stages in which it says anything; the others are told once in a fill, whatever the stage."""


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


def _latch(state: BayState) -> BayState:
    """Why the pump must not run now, if there is a reason; told once in a notice where it is a fault."""
    reason = _unfit(state)
    if reason is not None:
        run = None if state.pump.hold.run is None else evolve(state.pump.hold.run, clean=False)
        return with_hold(state, evolve(state.pump.hold, latched=reason, run=run))
    found = interlocks.holds_off(state)
    if found is None and state.pump.hold.running:
        found = interlocks.stops_run(state)
    proof = lip.proving(state)
    if found is not None and found[0] == "runs_over" and proof is not None:
        return lip.end(latch(state, lip.OVER), lip.OVER)  # what the proof looks for, and plenty of it
    if found is not None:
        return _tell(state, *found)
    if proof is not None:
        return state
    if now_l(state) + state.pump.hold.unsure_l + overrun_forecast_l(state) >= target_l(state):
        return latch(state, TARGET)
    return state


def _start(state: BayState) -> BayState:
    pump, left_l = state.spec.pump, target_l(state) - delivered_l(state)
    fine = pump is not None and pump.fine_share > 0 and left_l <= pump.fine_l
    can = state.pump_can_l_min(fine)
    limit_s = state.settings.run_longest_s
    if can:
        limit_s = min(
            limit_s, LIMITS.run_times * (left_l / (can * state.meter.factor) * 60.0 + LIMITS.run_starts_s)
        )
        if pump is not None and pump.fine_share > 0 and not fine:
            limit_s += LIMITS.run_times * pump.fine_l / (can * pump.fine_share) * 60.0
    block = state.meter.air.block
    run = Run(
        state.t_s,
        delivered_l(state),
        limit_s,
        block=block,
        fine_t_s=state.t_s if fine else None,
        pan_kg=state.weighing.pan.level_kg,
        pan_b_kg=state.other.weighing.pan.level_kg,
    )
    return with_hold(
        state, evolve(state.pump.hold, running_since_t_s=state.t_s, fine=fine, tripped=False, run=run)
    )


def _stop(state: BayState, why: str) -> BayState:
    hold, run = state.pump.hold, state.pump.hold.run
    if run is not None and state.supply.purge is None:
        steady = state.t_s - max(run.t_s, run.fine_t_s or run.t_s) >= LIMITS.steady_s
        stop = Stop(
            t_s=state.t_s,
            target_l=target_l(state),
            cut_off_l=now_l(state),
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
    return with_hold(state, evolve(hold, running_since_t_s=None, stopped_t_s=state.t_s, fine=False, run=run))


def _miscounted(state: BayState, run: Run, why: str) -> Hold:
    """What may have come uncounted counts against the target: half of it once, when a kink or an air lock is as
    likely, and all of it when it happens again."""
    hold = state.pump.hold
    can = state.pump_can_l_min(hold.fine)
    if can is None or why not in (TABLE[kind].word for kind in MISCOUNTS):
        return hold
    could_l = can * state.meter.factor / 60.0 * (state.t_s - run.t_s)
    missing_l = max(0.0, could_l - (delivered_l(state) - run.from_l))
    share = 1.0 if hold.miscounts else LIMITS.first_miscount
    return evolve(hold, miscounts=hold.miscounts + 1, unsure_l=hold.unsure_l + share * missing_l)


def _follow(state: BayState, run: Run) -> BayState:
    """Keep an eye on a turn: its flow while it runs, its overrun after it."""
    if run.stop is None:
        return _flowing(state, run) if state.pump.hold.running else state
    waited_s = state.t_s - run.stop.t_s
    stands = waited_s >= LIMITS.stands_s and state.t_s - state.meter.last_pulse_t_s >= LIMITS.stands_s
    if not stands and waited_s < LIMITS.follow_s:
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
        changed = evolve(changed, high_since_t_s=state.t_s - LIMITS.flow_out_s)
    apart = interlocks.trains_apart(state)
    if apart != (run.apart_since_t_s is not None):
        changed = evolve(changed, apart_since_t_s=state.t_s if apart else None)
    if changed is run:
        return state
    return with_hold(state, evolve(hold, run=changed))


def _near(state: BayState, fine_l: float) -> bool:
    return target_l(state) - now_l(state) <= fine_l + overrun_forecast_l(state)


def _out_of_range(state: BayState, run: Run) -> Run:
    """Since when the flow is too low or too high, after one more block of it."""
    watch = state.meter.air
    can = state.pump_can_l_min(state.pump.hold.fine)
    began_s = watch.block_t_s - watch.block_s
    if not can or (run.fine_t_s is not None and began_s < run.fine_t_s + LIMITS.unsteady_s):
        return evolve(run, low_since_t_s=None, high_since_t_s=None)
    low, high = watch.flow_l_min < LIMITS.flow_low * can, watch.flow_l_min > FILLING.beyond_pump * can
    low = low and began_s > run.t_s + FILLING.starting_s - LIMITS.start_overlap_s
    return evolve(
        run,
        low_since_t_s=(began_s if run.low_since_t_s is None else run.low_since_t_s) if low else None,
        high_since_t_s=(began_s if run.high_since_t_s is None else run.high_since_t_s) if high else None,
    )
