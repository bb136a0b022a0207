"""Each run of the pump of a job, as a line of its page."""

from collections.abc import Sequence
from dataclasses import dataclass

from station.common.words import _
from station.given.pump_run import PumpRun
from station.learning.reason import BEFORE_TARGET_L
from web.frame import format as fmt


@dataclass(frozen=True)
class RunLine:
    """One run of the pump, metered since the fill began. left: how far before its target it ended."""

    number: str
    metered: str
    target: str
    overrun: str
    stopped: str
    left: str


def lines(runs: Sequence[PumpRun]) -> list[RunLine]:
    """Each run of the pump."""
    found, from_l = [], 0.0
    for number, one in enumerate(runs, 1):
        left_l = one.target_l - one.final_l
        found.append(
            RunLine(
                f"{number}",
                _("{low} to {high}").format(low=fmt.litres(from_l).number, high=fmt.litres(one.final_l)),
                str(fmt.litres(one.target_l)),
                str(fmt.millilitres(one.final_l - one.cut_off_l)),
                fmt.sentence(_(one.why)).rstrip("."),
                str(fmt.volume(left_l)) if left_l > BEFORE_TARGET_L else _("reached"),
            )
        )
        from_l = one.final_l
    return found
