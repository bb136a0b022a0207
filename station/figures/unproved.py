"""The verdict on a fill that may have gone past the meter while the station was stopped."""

from station.common.words import _
from station.core import interruption
from station.core.state import BayState
from station.verdict import Judgement


def judged(
    state: BayState, verdict: str, text: str | None, judgement: Judgement | None
) -> tuple[str, str | None, Judgement | None]:
    """Verdict, its sentence and its probabilities: those that the witnesses came to, given here, where nothing can have
    gone past the meter. Else only the level speaks, for full or over: a volume that is too small by an unknown amount
    shows nothing."""
    if not interruption.unproved(state):
        return verdict, text, judgement
    if interruption.asks(state):
        return "undecided", _("say first what happened while the station was stopped"), None
    if interruption.settled(state) and verdict in ("full", "over"):
        return (
            verdict,
            _("{verdict} by the level; what went past the meter is in no figure").format(verdict=_(verdict)),
            judgement,
        )
    return (
        "undecided",
        _(
            "fluid may have gone in past the meter while the station was stopped: look at the level at the plug, or prove it at the lip"
        ),
        None,
    )
