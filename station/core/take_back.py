"""Taking the last mark back: what a slip of the thumb set is undone by an event of its own, and nothing is deleted.

Only the last mark, and only while nothing that has happened since rests on it:

- the stage is the one that it led to: the station has not seen the job go on;
- the meter has counted nothing and the pump has not run, no top-up was asked for, and the station was not stopped;
- the pan has neither gained nor lost more than ``take_back_kg`` but for things that came or went at once. Of a mark that
  took a figure no such thing either: it would stand in the figure that is taken next.

A proof at the lip, and the end of a job, are not taken back.
"""

from collections.abc import Mapping

from station.common.evolve import evolve
from station.common.words import N_, _
from station.core import interruption
from station.core.limits import LIMITS
from station.core.lip import proving
from station.core.state import BayState, Slip, Weighing, note
from station.given.said import Mark
from station.given.stages import FINISHED

BEFORE_A_FIGURE = frozenset(
    {Mark.PAN_PLACED, Mark.STANDS_LEVEL, Mark.HOSE_FULL, Mark.DRAIN_OPEN, Mark.LEVEL_SEEN}
)
"""Marks after which things may come onto the pan: it is read anew when the drain is opened, or was not read at all."""
FINAL = frozenset({Mark.LIP_PROOF, Mark.CLOSE})
NAMES: Mapping[str, str] = {
    Mark.PAN_PLACED: N_("Pan placed"),
    Mark.STANDS_LEVEL: N_("Spirit level: level"),
    Mark.DRAIN_OPEN: N_("Drain opened"),
    Mark.DRAIN_DONE: N_("Drain done"),
    Mark.FLUSH: N_("Solvent from here on"),
    Mark.RESEAL_DONE: N_("Resealed"),
    Mark.HOSE_FULL: N_("Hose full"),
    Mark.FILL_START: N_("Fill started"),
    Mark.LEVEL_SEEN: N_("Level seen at the plug"),
    Mark.FILL_DONE: N_("Fill done"),
    Mark.PLUG_IN: N_("Fill plug in"),
}


def remember(before: BayState, after: BayState, word: str) -> BayState:
    """Keep what a mark that was just taken in has changed. A proof under way or a purge ends with it for good."""
    final = word in FINAL or proving(before) is not None or before.supply.purge is not None
    slip = None if final else Slip(
        word, after.stage, before.stage, before.stage_t_s, before.said.marks, before.drain, before.fill,
        before.weighing.rest, before.weighing.drift, before.weighing.leak, before.other, before.meter.counting,
        before.meter.last or 0, before.pump.hold.top_up_l, before.weighing.pan.level_kg, len(before.weighing.steps),
    )  # fmt: skip
    return evolve(after, slip=slip)


def may_be(state: BayState) -> str | None:
    """The mark that may be taken back now; None where none may."""
    slip = state.slip
    if slip is None or state.stage in FINISHED or state.stage is not slip.led_to or interruption.asks(state):
        return None
    hold = state.pump.hold
    pumped = state.pump.on or hold.running or (state.meter.last or 0) != slip.count
    if pumped or hold.top_up_l != slip.top_up_l:
        return None
    then, kept = slip.other.weighing, slip.mark in BEFORE_A_FIGURE
    stands = _stands(state.weighing, slip.pan_kg, slip.steps, kept)
    other_stands = _stands(state.other.weighing, then.pan.level_kg, len(then.steps), kept)
    return slip.mark if stands and other_stands else None


def _stands(weighing: Weighing, before_kg: float | None, steps: int, things_may_come: bool) -> bool:
    """Whether a pan has neither gained nor lost since but for things that came or went at once, where those may."""
    came, now_kg = weighing.steps[steps:], weighing.pan.level_kg
    if came and not things_may_come:
        return False
    if before_kg is None:
        return True
    return (
        now_kg is not None and abs(now_kg - before_kg - sum(step.kg for step in came)) <= LIMITS.take_back_kg
    )


def take(state: BayState) -> BayState:
    """Undo the last mark. Where it may not be undone, nothing changes, and a notice says so."""
    slip = state.slip
    if slip is None or may_be(state) is None:
        return note(
            state,
            "not_taken_back",
            _("A mark was to be taken back, and it was too late for that: it stays as it was set."),
        )
    weighing = evolve(state.weighing, rest=slip.rest, drift=slip.drift, leak=slip.leak)
    then, other = slip.other.weighing, state.other
    other = evolve(
        slip.other,
        weighing=evolve(other.weighing, rest=then.rest, drift=then.drift, leak=then.leak),
        told=other.told,
    )
    return evolve(
        state,
        slip=None,
        stage=slip.stage,
        stage_t_s=slip.stage_t_s,
        said=evolve(
            state.said, marks=slip.marks, taken_back=(*state.said.taken_back, (slip.mark, state.t_s))
        ),
        drain=slip.drain,
        fill=slip.fill,
        weighing=weighing,
        other=other,
        meter=evolve(state.meter, counting=slip.counting),
    )
