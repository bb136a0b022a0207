"""What stands in reach of one thumb: the one next action, the live figure, and what is missing."""

from dataclasses import dataclass

from station.bay.views import BayView, ItemView, LipView, MarkView, PumpView
from station.common.words import _
from station.given.said import Mark
from station.learning.reason import Outcome, missing_l
from web.frame import format as fmt
from web.frame import words

REACHED_L = 0.005
"""Less than this to go is shown as 0.00 L."""
PREFERRED = (
    Mark.PAN_PLACED,
    Mark.DRAIN_OPEN,
    Mark.DRAIN_DONE,
    Mark.RESEAL_DONE,
    Mark.FILL_START,
    Mark.CLOSE,
)
"""Of several marks that make sense before the fill, the one that most jobs need next."""


@dataclass(frozen=True)
class Dock:
    """tick: what to tick first; mark: what to set then; label: what that is called here. At most one of the two. also: what
    else makes sense now.

    held: the next action is to hold the pump's control. wait: the mark may be set, and is better waited with. purged: the hose is
    purged as far as needed. asked: a question that keeps the pump off comes first.
    """

    figure: str
    missing: str
    tick: ItemView | None = None
    mark: MarkView | None = None
    label: str = ""
    held: bool = False
    wait: bool = False
    also: MarkView | None = None
    purged: bool = False
    asked: bool = False


def dock(view: BayView, outcome: Outcome) -> Dock:
    """The dock of an open job. outcome: what it has come to so far."""
    figure, missing = _figures(view, outcome)
    if view.interruption is not None:
        return Dock(figure, missing, asked=True)
    if view.pump is not None and view.pump.lip is not None and view.pump.lip.under_way:
        return _at_the_lip(view.pump.lip)
    if view.pump is not None and view.pump.purging:
        return _purging(view.pump)
    tick = next((item for item in view.checklist if not (item.done or item.optional)), None)
    short = view.stage in ("settle", "leak watch") and missing_l(outcome) is not None
    if tick is not None and not short:
        return Dock(figure, missing, tick=tick)
    marks = {mark.mark: mark for mark in view.next_marks if mark.enabled}
    more = marks.get(Mark.FILL_START)
    if short and more is not None:
        return Dock(figure, missing, mark=more, label=more.label)
    if view.stage == "fill":
        if not reached(view):
            return Dock(figure, missing, held=True)
        done = marks.get(Mark.FILL_DONE)
        also = marks.get(Mark.LIP_PROOF) if _unsettled(view, outcome) else None
        return Dock(figure, missing, mark=done, label=done.label if done else "", also=also)
    if view.stage == "settle":
        return _settle(view, outcome, figure, missing, marks)
    if view.stage == "leak watch":
        marks.pop(Mark.FILL_START, None)
    mark = next((marks[name] for name in PREFERRED if name in marks), None)
    return Dock(figure, missing, mark=mark, label=mark.label if mark else "", wait=_better_waited(view))


def _at_the_lip(proof: LipView) -> Dock:
    """A proof under way: what was pushed of what may be, and what has run over."""
    pushed = _("At the lip: {pushed:.0f} of {most:.0f} mL pushed").format(
        pushed=proof.pushed_l * 1000, most=proof.most_l * 1000
    )
    return Dock(pushed, _("{over:.0f} mL over the lip so far").format(over=proof.over_l * 1000), held=True)


def _purging(pump: PumpView) -> Dock:
    """A purge under way: whatever else the stage asks for waits, since both hands are at hose and vessel."""
    figure = _("Purged {purge} of {needed}").format(
        purge=fmt.litres(pump.purge_l).number, needed=fmt.litres(pump.purge_needed_l)
    )
    purged = pump.purge_needed_l - pump.purge_l < REACHED_L
    return Dock(figure, _("into the waste vessel"), held=True, purged=purged)


def _settle(view: BayView, outcome: Outcome, figure: str, missing: str, marks: dict[Mark, MarkView]) -> Dock:
    name = Mark.PLUG_IN if outcome.level_seen else Mark.LEVEL_SEEN
    mark = marks.get(name)
    return Dock(figure, missing, mark=mark, label=mark.label if mark else "", wait=_better_waited(view))


def reached(view: BayView) -> bool:
    """Whether the pump stands and has no more to do."""
    return not view.pump_on and view.may_go_l is not None and view.may_go_l < REACHED_L


def _unsettled(view: BayView, outcome: Outcome) -> bool:
    """Whether nothing settles the fill yet, and a proof at the lip, which could, was not tried."""
    tried = view.pump is not None and view.pump.lip is not None and view.pump.lip.steps > 0
    return outcome.verdict not in ("full", "over") and not outcome.level_seen and not tried


def _to_go(view: BayView) -> str:
    """What is to go, and what else of it is known: what may be in there already, and what is not in there any more."""
    told = [_("{to_go} to go").format(to_go=fmt.litres(view.to_go_l))]
    if view.unsure_l >= REACHED_L:
        told.append(_("{unsure} may have gone in uncounted").format(unsure=fmt.volume(view.unsure_l)))
    over_l = view.figures.overflow_l or 0.0
    if over_l >= REACHED_L:
        told.append(_("{over} ran over").format(over=fmt.volume(over_l)))
    return " · ".join(told)


def _better_waited(view: BayView) -> bool:
    """Whether a timer still runs, fluid still flows, or waiting for the drip still pays."""
    if view.stage == "drain":
        return True
    if view.stage == "drip":
        return view.wait_s is None or view.wait_s > 0
    return view.timer is not None and view.timer.left_s > 0


def _figures(view: BayView, outcome: Outcome) -> tuple[str, str]:
    f, timer = view.figures, view.timer
    left = (
        ""
        if timer is None or timer.left_s <= 0
        else _("{what}, {left} left").format(
            what=_(words.TIMERS.get(timer.what, timer.what)), left=fmt.clock(timer.left_s)
        )
    )
    if view.stage in ("drain", "drip"):
        drained = _("Drained {drained}").format(drained=fmt.litres(f.drained_l, f.drained_u95_l))
        if view.stage == "drain" or f.still_to_come_l is None:
            return drained, _("Wait until the stream has become a drip.")
        return (
            drained,
            _("{still_to_come} still to come. {wait}").format(
                still_to_come=fmt.volume(f.still_to_come_l, f.still_to_come_u95_l),
                wait=fmt.waiting(view.wait_s),
            ),
        )
    if view.stage == "reseal":
        return left or _("Drained {drained}").format(drained=fmt.litres(f.drained_l, f.drained_u95_l)), ""
    if view.stage == "fill":
        return (
            _("{number} of {target}").format(
                number=fmt.litres(f.filled_l or 0.0).number, target=fmt.litres(view.target_l)
            ),
            _to_go(view),
        )
    if view.stage in ("settle", "leak watch"):
        short_l = missing_l(outcome)
        filled = _("Filled {filled}").format(filled=fmt.litres(f.filled_l, f.filled_u95_l))
        if short_l is not None:
            return _("{short} missing: top up").format(short=fmt.litres(short_l)), left
        return filled, left or (f.leak_text or "" if view.stage == "leak watch" else "")
    return _("Expected {expected_fill}").format(
        expected_fill=fmt.litres(f.expected_fill_l, f.expected_fill_u95_l)
    ), ""
