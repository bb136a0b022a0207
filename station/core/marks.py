"""What a technician's mark does: the pan is read where a figure needs it, and the job moves on."""

import math
from collections.abc import Callable

from station.common.digits import number
from station.common.evolve import evolve
from station.common.words import _
from station.core import lip, second_pan, take_back
from station.core.expectation import expected_now
from station.core.state import BayState, move_on, note
from station.given.recording import MARKS
from station.given.said import Mark
from station.given.sources import name
from station.given.stages import FINISHED, Cause
from station.weighing import lines
from station.weighing.limits import LIMITS as WEIGHING
from station.weighing.rest import Rest, Watch


def mark(state: BayState, word: str) -> BayState:
    """Take in a mark. A word that is none, and any mark after the job's end, is left out."""
    if word not in MARKS or state.stage in FINISHED:
        return state
    if word == Mark.TAKE_BACK:
        return take_back.take(state)
    return take_back.remember(state, _marked(state, word), word)


def _marked(state: BayState, word: str) -> BayState:
    state = evolve(state, said=evolve(state.said, marks=(*state.said.marks, (word, state.t_s))))
    if word == Mark.LEVEL_SEEN:
        return evolve(state, fill=evolve(state.fill, seen_l=state.meter.volume_l))
    if word not in _READS:
        return state
    cause = Cause(word)
    if cause is not Cause.LIP_PROOF:
        state = _of_second(lip.end(state, lip.OTHERWISE), cause)
    state = _READS[cause](state)
    if cause in (Cause.FILL_DONE, Cause.LIP_PROOF) and state.fill.base is None:
        return state  # nothing was filled
    return move_on(state, cause)


def _of_second(state: BayState, cause: Cause) -> BayState:
    """What the mark reads of a second pan. The meter, and what should go in, are read once, with the first."""
    if not second_pan.fitted(state):
        return state
    after = second_pan.on_second(state, _READS[cause])
    return evolve(after, meter=state.meter, fill=evolve(after.fill, expected_l=state.fill.expected_l))


def _level(state: BayState, what: str) -> tuple[BayState, lines.Level | None]:
    """The pan as it stands, unless its last reading is old; with a notice where it is not at rest."""
    track, noise_kg = state.weighing.pan, state.spec.pan.noise_kg
    level = track.level_at(state.t_s, noise_kg)
    if level is not None and track.lost(state.t_s):
        return _lost(state, what, level)
    if level is not None and track.episode:
        # Nobody knows yet what this is: if it turns out to be a thing it is taken out, but the doubt stays.
        middle = sorted(kg for _, kg in track.episode)[len(track.episode) // 2]
        level = evolve(level, u_kg=math.hypot(level.u_kg, 0.3 * (middle - level.kg)))
    if level is not None and level.u_kg > 10 * noise_kg:
        state = note(
            state,
            "unsettled",
            _(
                "The pan was not steady when {what} was taken (±{u_g} g). Keep hands and hoses off the pan for six seconds before you mark."
            ).format(what=what, u_g=number(2000 * level.u_kg, ".1f")),
        )
    return state, level


def _lost(state: BayState, what: str, level: lines.Level) -> tuple[BayState, lines.Level | None]:
    """A pan that has stopped reading: its last level stands for a while. One of two is not waited for longer than that."""
    silent_s = state.t_s - state.weighing.pan.window[-1][0]
    if silent_s > WEIGHING.sparse_s and not second_pan.fitted(state):
        return state, None
    text = _(
        "{sensor}: it was not read any more when {what} was taken. Its last reading counts; what came into it in the {silent_s} s since is in no figure."
    ).format(sensor=name(state.weighing.source), what=what, silent_s=number(silent_s, ".0f"))
    return note(state, "pan_lost", text), level


def _freeze_drained(state: BayState) -> BayState:
    """Take the drained figure now, before anything else lands in the pan."""
    if state.drain.before is None or state.drain.marked is not None:
        return state
    state, level = _level(state, _("the drained figure"))
    drain = evolve(state.drain, marked=level)
    if drain.taken is None:
        drain = evolve(drain, taken=level, temperature_c=state.hearing.temperatures_c.get("fluid_drained_c"))
    return evolve(state, drain=drain)


def _drain_opens(state: BayState) -> BayState:
    state, level = _level(state, _("the pan's weight before the drain"))
    if level is None:
        line = state.spec.pan
        level = lines.Level(state.t_s, 0.0, 2 * line.noise_kg)
        state = note(
            state,
            "baseline_assumed",
            _(
                "There was no pan reading before the drain was opened. The pan was taken as empty at count {zero_count}."
            ).format(zero_count=number(line.zero_count, "g")),
        )
    return evolve(state, drain=evolve(state.drain, before=level, taken=None, marked=None, unknown=False))


def _drain_over(state: BayState) -> BayState:
    state = _freeze_drained(state)
    return evolve(state, weighing=evolve(state.weighing, rest=Rest()))


def _fill_starts(state: BayState) -> BayState:
    state = _freeze_drained(state)
    meter = evolve(state.meter, counting=True)
    if state.fill.base is not None:  # a top-up: the fill goes on, also where the plug was in already
        weighing = evolve(state.weighing, leak=None)
        return evolve(state, fill=evolve(state.fill, end=None), weighing=weighing, meter=meter)
    state, level = _level(state, _("the pan's weight before the fill"))
    t_s, noise_kg = state.t_s, state.spec.pan.noise_kg
    wet = state.marked("flush") is not None or any(s.kind == "flush" for s in state.weighing.steps)
    drift = (state.weighing.rest or Rest()).drift(t_s, noise_kg, wet)
    return evolve(
        state,
        fill=evolve(state.fill, base=level, expected_l=expected_now(state).value_l),
        weighing=evolve(state.weighing, drift=drift),
        meter=meter,
    )


def _fill_over(state: BayState) -> BayState:
    """The hose is out: what the meter counts from here on did not go into the compartment."""
    if state.fill.end is not None or not state.meter.counting:
        return state
    state, level = _level(state, _("the overflow"))
    return evolve(state, fill=evolve(state.fill, end=level), meter=evolve(state.meter, counting=False))


def _plug_in(state: BayState) -> BayState:
    state = _fill_over(state)
    return evolve(state, weighing=evolve(state.weighing, leak=Watch(state.t_s, state.t_s)))


def _closes(state: BayState) -> BayState:
    return _fill_over(_freeze_drained(state))


def _reads_nothing(state: BayState) -> BayState:
    return state


_READS: dict[Cause, Callable[[BayState], BayState]] = {
    Cause.DRAIN_OPEN: _drain_opens,
    Cause.DRAIN_DONE: _drain_over,
    Cause.FLUSH: _drain_over,
    Cause.RESEAL_DONE: _drain_over,
    Cause.FILL_START: _fill_starts,
    Cause.LIP_PROOF: lip.begin,
    Cause.FILL_DONE: _reads_nothing,
    Cause.PLUG_IN: _plug_in,
    Cause.CLOSE: _closes,
}
"""What is read or frozen at a mark before the job moves on; the other marks are only remembered."""
