"""The verdict on a fill that may have gone past the meter while the station was stopped."""

from station.core import interruption
from station.core.state import BayState
from station.verdict import Judgement


def judged(state: BayState, verdict: str, judgement: Judgement | None) -> tuple[str, str, Judgement | None]:
    """Verdict, its sentence and its probabilities, from those that its witnesses came to. Only the level speaks here, for
    full or over: a volume that is too small by an unknown amount shows nothing."""
    if interruption.asks(state):
        return "undecided", "say first what happened while the station was stopped", None
    if interruption.settled(state) and verdict in ("full", "over"):
        return verdict, f"{verdict} by the level; what went past the meter is in no figure", judgement
    return (
        "undecided",
        "fluid may have gone in past the meter while the station was stopped: look at the level at the plug, or prove it "
        "at the lip",
        None,
    )
