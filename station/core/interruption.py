"""A job that goes on after the station was stopped in the middle of it: nobody watched the pan meanwhile.

The stream holds a sample of this source when the job is taken up again, and another with what the technician says. In
between the pump stays off; whatever is held has to be let go and pressed again.
"""

from station.common.evolve import evolve
from station.common.words import N_, _
from station.core.state import BayState, Drain, note

SOURCE = "interruption"
ASKED, UNTIMED = "asked", "asked, and no clock says for how long"
QUESTION = N_(
    "The station was stopped in the middle of this job. Was the pan moved meanwhile, and was anything filled? The pump stays off until you say."
)
_UNANSWERED = N_("unanswered")
_MOVED, _FILLED, _NEITHER = "pan moved", "filled", "undisturbed"


def answer(pan_moved: bool, filled: bool) -> str:
    """What the technician says, as the sample's value."""
    said = [word for word, true in ((_MOVED, pan_moved), (_FILLED, filled)) if true]
    return ", ".join(said) or _NEITHER


def asks(state: BayState) -> bool:
    """Whether the question is open."""
    return SOURCE in state.hearing.faults


def unproved(state: BayState) -> bool:
    """Whether the filled volume proves nothing: the question is open, or its answer was that fluid went in or the pan was
    moved in mid-fill."""
    return asks(state) or state.said.past_meter_s is not None


def settled(state: BayState) -> bool:
    """Whether the level itself was seen or proved since, which needs no volume."""
    since_s, proof = state.said.past_meter_s, state.fill.proof
    if asks(state) or since_s is None:
        return False
    seen_s = state.marked("level_seen")
    proved_s = None if proof is None else proof.proved_s
    return any(at_s is not None and at_s >= since_s for at_s in (seen_s, proved_s))


def _moved(drain: Drain) -> Drain:
    """What came out is not known any more, unless it was weighed before."""
    return evolve(drain, unknown=drain.unknown or (drain.before is not None and drain.taken is None))


def take(state: BayState, value: str) -> BayState:
    """The question, or its answer."""
    faults = {name: fault for name, fault in state.hearing.faults.items() if name != SOURCE}
    if value in (ASKED, UNTIMED):
        hold = evolve(state.pump.hold, held_t_s={}, running_since_t_s=None, fine=False, run=None)
        faults[SOURCE] = _UNANSWERED
        state = evolve(
            state, pump=evolve(state.pump, hold=hold), hearing=evolve(state.hearing, faults=faults), slip=None
        )
        text = _(
            "The station was stopped in the middle of this job. The figures go on from the last reading kept; they hold only if nobody moved the pan or filled anything meanwhile."
        )
        if value == UNTIMED:
            text += " " + _(
                "No clock can tell for how long: the times of drip and cure go on as if it had been a second."
            )
        return note(state, "interrupted", text, stops=True)
    if not asks(state):
        return state
    state = evolve(state, hearing=evolve(state.hearing, faults=faults))
    said = value.split(", ")
    if _FILLED in said or (_MOVED in said and state.fill.base is not None):
        state = evolve(state, said=evolve(state.said, past_meter_s=state.t_s))
    if _MOVED in said:
        other = evolve(state.other, drain=_moved(state.other.drain))
        state = note(
            evolve(state, drain=_moved(state.drain), other=other),
            "interrupted_pan_moved",
            _(
                "The pan was moved while the station was stopped: what went in or out of it then is in no figure. Do not rely on the drained volume, nor on what ran over."
            ),
        )
    if _FILLED in said:
        state = note(
            state,
            "interrupted_filled",
            _(
                "Fluid was filled in while the station was stopped: it was not metered. The filled volume is too small by what went in, and no verdict rests on it. Look at the level at the plug, or prove it at the lip."
            ),
        )
    if said == [_NEITHER]:
        state = note(
            state,
            "interrupted_undisturbed",
            _("The technician says that nothing was moved or filled while the station was stopped."),
        )
    return state
