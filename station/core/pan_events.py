"""The pan's part of the step: counts to a clean level, jumps to named steps, flow to stages."""

import math

from station.common.digits import number
from station.common.evolve import evolve
from station.common.words import _
from station.core import second_pan
from station.core.limits import LIMITS
from station.core.state import BayState, Weighing, move_on, note
from station.filling.metering import flow_l_min
from station.given.sources import name
from station.given.stages import DRAINING, HANDS_ON_PAN, PUMPED, Cause, Stage
from station.weighing import counts, drip, jumps, lines, pan, steps
from station.weighing.limits import LIMITS as WEIGHING
from station.weighing.rest import Rest
from station.weighing.steps import Step


def take(state: BayState, count: int) -> BayState:
    """Take in one count of the pan."""
    if count in pan.SATURATED:
        if any(n.kind == "saturated" for n in state.telling.notices):
            return state
        return note(
            state,
            "saturated",
            _(
                "{sensor}: the converter is at the end of its range ({count}). Such readings are left out. Take load off the pan, or check the load cell's wiring."
            ).format(sensor=name(state.weighing.source), count=count),
            stops=True,
        )
    checked, good, finding = counts.check(
        state.weighing.counts, state.t_s, count, state.spec.pan.noise_counts
    )
    weighing = evolve(state.weighing, counts=checked)
    if finding is not None or not good:
        state = evolve(state, weighing=weighing)
    if finding is not None:
        state = _found(state, finding, count)
        weighing = state.weighing
    for t_s, value in good:
        state = _reading(state, weighing, t_s, value)
        weighing = state.weighing
    return state


def _found(state: BayState, finding: str, count: int) -> BayState:
    source = state.weighing.source
    if finding == "bit":
        return note(
            state,
            "bit_lost",
            _(
                "{sensor}: one count was off by a power of two, so a bit was lost on the clock line. It was left out. If this comes back, check the cable length and the supply."
            ).format(sensor=name(source)),
        )
    faults = {one: word for one, word in state.hearing.faults.items() if one != source}
    if finding == "stuck":
        faults[source] = "stuck"
        return note(
            evolve(state, hearing=evolve(state.hearing, faults=faults)),
            "stuck",
            _(
                "{sensor}: the count has not moved from {count} for {stuck_s} s. A working cell always flickers. Check its data line and supply before you trust the figures."
            ).format(sensor=name(source), count=count, stuck_s=number(WEIGHING.stuck_s, "g")),
            stops=True,
        )
    # What happened meanwhile is not known to have happened at once.
    track = evolve(state.weighing.pan, calm=(), episode=())
    hearing = evolve(state.hearing, faults=faults)
    return evolve(state, hearing=hearing, weighing=evolve(state.weighing, pan=track))


def _reading(state: BayState, weighing: Weighing, t_s: float, count: int) -> BayState:
    """Take in one reading that is sound. weighing: as the counts left it, not yet in the state."""
    line = state.spec.pan
    track, jump = pan.add(weighing.pan, t_s, line.indicated_kg(count), line.noise_kg)
    state = evolve(state, weighing=evolve(weighing, pan=track))
    if jump is not None:
        state = _jump(state, jump)
    weighing = state.weighing
    if weighing.pan.episode or weighing.pan.readings or _lifted(state):
        return state
    if state.stage in DRAINING:
        return _flow(state)
    if state.stage is Stage.RESEAL and weighing.rest is not None:
        rest = weighing.rest.add(t_s, weighing.pan.median_kg)
        return state if rest is weighing.rest else evolve(state, weighing=evolve(weighing, rest=rest))
    if state.stage is Stage.LEAK_WATCH and weighing.leak is not None:
        leak = weighing.leak.add(t_s, weighing.pan.median_kg)
        return state if leak is weighing.leak else evolve(state, weighing=evolve(weighing, leak=leak))
    if state.stage in PUMPED and state.fill.overflow_at_l is None and state.fill.base is not None:
        return _overflow_seen(state)
    return state


def _lifted(state: BayState) -> bool:
    return bool(state.weighing.steps) and state.weighing.steps[-1].kind == "pan_lifted"


def _pump_kg_s(state: BayState, t_s: float) -> float | None:
    """Flow of the pump as a mass; None where nothing had been pumped shortly before t_s."""
    meter, spec = state.meter, state.spec
    if state.stage not in PUMPED or t_s - meter.last_pulse_t_s > LIMITS.pump_quiet_s:
        return None
    l_s = flow_l_min(meter, spec.meter.k_factor_per_l) / 60.0
    return max(l_s, 0.03) * spec.fresh.density_kg_m3(spec.reference_temperature_c) / 1000.0


def _resume(state: BayState, jump: jumps.Jump, taken_out: bool) -> BayState:
    track = pan.resume(state.weighing.pan, jump, taken_out, state.spec.pan.noise_kg)
    return evolve(state, weighing=evolve(state.weighing, pan=track))


def _jump(state: BayState, jump: jumps.Jump) -> BayState:
    """Name a jump, take it out where it is not fluid, and remember it."""
    if state.stage is Stage.PLAN:  # the pan is being placed; its weight is taken when the drain is opened
        return _resume(state, jump, False)
    raw_kg = jump.after_kg + state.weighing.pan.offset_kg
    empty_kg = state.drain.before.kg if state.drain.before is not None else None
    pump_kg_s = _pump_kg_s(state, jump.t_s)
    found = steps.judge(jump, state.stage, state.weighing.steps, empty_kg, raw_kg, pump_kg_s)
    if found.kind == "knock":
        return _knocked(_resume(state, jump, False), found)
    state = _resume(state, jump, found.kind is not None)
    if found.kind is None:
        return state
    step = _step(state, jump, found, found.kind)
    state = _remembered(state, jump, step)
    if not _unsaid(state, found):
        state = note(state, step.kind, f"{found.text} ({step.id})")
    fit = state.drain.drip
    if fit is not None and fit.pending and _presses_again(state):
        return _flushed(state, fit, fit.pending[-1])
    return state


def _unsaid(state: BayState, found: steps.Finding) -> bool:
    """Whether a finding is kept to the record: hands belong on the pan now, or it is a mere splash."""
    moved = found.kind in ("pan_lifted", "pan_back")
    return found.kind == "splash" or (state.stage in HANDS_ON_PAN and not moved)


def _knocked(state: BayState, found: steps.Finding) -> BayState:
    last = next((n.t_s for n in reversed(state.telling.notices) if n.kind == "knock"), float("-inf"))
    if _unsaid(state, found) or state.t_s - last < LIMITS.knock_again_s:
        return state
    return note(state, "knock", found.text)


def _step(state: BayState, jump: jumps.Jump, found: steps.Finding, kind: str) -> Step:
    """The step for the record, with the doubt about what it was."""
    doubt_kg = 0.5 * abs(jump.kg) if found.share > 0 else 0.0
    if kind == "struck":
        doubt_kg = math.hypot(jump.hidden_kg, jump.u_kg)
    if kind == "pan_back":
        doubt_kg = _missed_kg(state, jump)
    return Step(state.weighing.next_id(), jump.t_s, kind, jump.kg, jump.u_kg, found.share, doubt_kg)


def _remembered(state: BayState, jump: jumps.Jump, step: Step) -> BayState:
    weighing = evolve(state.weighing, steps=(*state.weighing.steps, step))
    if step.kind == "pan_lifted":
        weighing = evolve(weighing, lifted_flow_kg_s=jump.flow_kg_s)
    state = evolve(state, weighing=weighing)
    if state.drain.drip is None:
        return state
    broken = drip.break_off(state.drain.drip, jump.t_s, jump.end_t_s)
    return evolve(state, drain=evolve(state.drain, drip=broken))


def _presses_again(state: BayState) -> bool:
    """Whether the newest gulps are a can that is pressed and let go."""
    if state.stage is not Stage.DRIP or state.spec.method == "suction":
        return False
    return steps.sprayed(state.weighing.steps)


def _missed_kg(state: BayState, jump: jumps.Jump) -> float:
    """Half of what may have run past the pan while it was off."""
    off_s = jump.end_t_s - state.weighing.steps[-1].t_s
    if (
        state.stage is Stage.DRIP
        and state.drain.drip is not None
        and state.drain.drip.n + state.drain.drip.past_n > 8
    ):
        return 0.5 * off_s * drip.rate_kg_s(state.drain.drip, state.t_s, state.spec.pan.noise_kg)
    return 0.5 * off_s * max(0.0, state.weighing.lifted_flow_kg_s) if state.stage in DRAINING else 0.0


def _flow(state: BayState) -> BayState:
    """Bulk flow's start and end, seen in the pan without a button; then the drip."""
    before, track = state.drain.before, state.weighing.pan
    gained_kg = track.median_kg - (before.kg if before is not None else 0.0)
    fit = state.drain.drip
    # beside another pan that still takes a stream this one may drip already
    if fit is None or (state.stage is Stage.DRAIN and not second_pan.fitted(state)):
        return _streaming(state, gained_kg)
    return _dripping(_bulk_over(state), fit, gained_kg)


def _bulk_over(state: BayState) -> BayState:
    """No stream runs into this pan any more; nor into the other, or the drain goes on."""
    other = state.other.drain
    streams = second_pan.fitted(state) and other.bulk_seen and other.drip is None
    return state if streams else move_on(state, Cause.BULK_ENDED)


def _streaming(state: BayState, gained_kg: float) -> BayState:
    t_s, flow_kg_s, drain = state.t_s, state.weighing.pan.flow_kg_s, state.drain
    if not drain.bulk_seen:
        seen = flow_kg_s > LIMITS.bulk_kg_s and gained_kg > LIMITS.bulk_gain_kg
        # the stage is the drip only where the other pan's stream had ended before this one's began
        return (
            move_on(evolve(state, drain=evolve(drain, bulk_seen=True)), Cause.BULK_AGAIN) if seen else state
        )
    if abs(flow_kg_s) > WEIGHING.drip_kg_s:
        if drain.calm_since_t_s is None:
            return state
        return evolve(state, drain=evolve(drain, calm_since_t_s=None))
    since = drain.calm_since_t_s if drain.calm_since_t_s is not None else t_s
    if t_s - since < LIMITS.bulk_calm_s:
        return (
            state
            if since == drain.calm_since_t_s
            else evolve(state, drain=evolve(drain, calm_since_t_s=since))
        )
    fit = drip.start(since - WEIGHING.window_s / 2)
    return _bulk_over(evolve(state, drain=evolve(drain, drip=fit, calm_since_t_s=None)))


def _dripping(state: BayState, fit: drip.DripFit, gained_kg: float) -> BayState:
    track, suction = state.weighing.pan, state.spec.method == "suction"
    early = state.t_s - fit.t0_s < WEIGHING.tells_s or suction
    if early and track.flow_kg_s > LIMITS.bulk_kg_s * 2 and gained_kg > LIMITS.bulk_gain_kg:
        return move_on(evolve(state, drain=evolve(state.drain, drip=None)), Cause.BULK_AGAIN)
    if track.scatter_kg > max(LIMITS.shaken_kg, LIMITS.shaken_times * state.spec.pan.noise_kg):
        return state  # an air tool nearby: such readings tell nothing of a drip
    grown = drip.add(fit, state.t_s, track.median_kg)
    if grown is fit:
        return state
    state = evolve(state, drain=evolve(state.drain, drip=grown))
    if state.stage is Stage.DRAIN:  # the other pan still takes a stream: a wave of it is no solvent
        return state
    last = None if suction else drip.unexplained(grown, state.spec.pan.noise_kg)
    if last is not None:
        return _flushed(state, grown, last)
    gulp = None if suction else drip.gulp(grown, state.spec.pan.noise_kg)
    return state if gulp is None else _gulped(state, grown, gulp)


def _gulped(state: BayState, fit: drip.DripFit, gulp: drip.Gulp) -> BayState:
    """A gulp that readings too few or a slow pool let pass as a flow: taken out and counted as any other."""
    noise_kg = state.spec.pan.noise_kg
    track = pan.take_out(state.weighing.pan, gulp.kg, gulp.from_s, gulp.to_s, noise_kg)
    found = steps.gulped(gulp.kg, gulp.to_s - gulp.from_s)
    step = Step(state.weighing.next_id(), gulp.from_s, "gulp", gulp.kg, noise_kg, found.share, 0.5 * gulp.kg)
    state = evolve(
        state,
        weighing=evolve(state.weighing, pan=track, steps=(*state.weighing.steps, step)),
        drain=evolve(state.drain, drip=drip.take_out(fit, gulp)),
    )
    return note(state, "gulp", f"{found.text} ({step.id})")


def _flushed(state: BayState, fit: drip.DripFit, last: drip.Block) -> BayState:
    """Something flows that is no drip: the drained figure is the one from before it."""
    t_s, kg = last
    came_g = (fit.pending[-1][1] - kg) * 1000.0
    # Short bursts of the can came as gulps before: they were the same solvent.
    burst = steps.bursts(state.weighing.steps, fit.pending[-1][0])
    if burst:
        t_s = min(t_s, burst[0].t_s)
        came_g += sum(s.kg for s in burst) * 1000.0
        on = [b for b in fit.pending if b[0] < t_s]
        kg = on[-1][1] if on else kg
    known = tuple(
        evolve(s, kind="burst", share=0.0, doubt_kg=0.0) if s in burst else s for s in state.weighing.steps
    )
    # If it was a pool after all, it is what had come when it was judged that is missing.
    step = Step(state.weighing.next_id(), t_s, "flush", 0.0, 0.0, doubt_kg=0.5 * came_g / 1000.0)
    drain = evolve(
        state.drain,
        taken=lines.Level(t_s, kg, 2.0 * state.spec.pan.noise_kg),
        drip=drip.cut(fit, t_s),
        temperature_c=state.hearing.temperatures_c.get("fluid_drained_c"),
    )
    weighing = evolve(state.weighing, steps=(*known, step), rest=Rest())
    state = move_on(evolve(state, drain=drain, weighing=weighing), Cause.SOLVENT_SEEN)
    return note(
        state,
        "flush",
        _(
            "{came_g} g ran into the pan again and again or without a pause, as from a can. It was taken for solvent, and the drained figure is the one from before it. What has dripped since is not counted, and the uncertainty is wider. Say on the page whether it was solvent or fluid from the vehicle. ({id})"
        ).format(came_g=number(came_g, ".0f"), id=step.id),
    )


def _overflow_seen(state: BayState) -> BayState:
    """The level stood at the plug when the pan first gained: evidence with a figure."""
    base, track = state.fill.base, state.weighing.pan
    if base is None:
        return state
    gained_kg = track.median_kg - base.kg - state.weighing.drift.gained_kg(base.t_s, state.t_s)
    if gained_kg < max(LIMITS.overflow_seen_kg, LIMITS.overflow_seen_noises * state.spec.pan.noise_kg):
        return state
    return evolve(state, fill=evolve(state.fill, overflow_at_l=state.meter.volume_l))
