"""What the technician is asked: what came onto the pan, and what happened while the station was stopped."""

from collections.abc import Sequence

from station.common.words import _
from station.core.state import BayState
from station.errors import InputError
from station.figures import balance
from station.given.report import PanStep
from station.given.stages import DRAINING
from station.learning.reason import TRACE_L


def need_asked(rows: Sequence[PanStep], step_id: str) -> None:
    """Raises InputError for a step that nobody asks about."""
    known = {row.id: row for row in rows}
    may = [key for key, row in known.items() if row.may_answer]
    if step_id not in known:
        raise InputError(
            _("There is no step {step_id!r} on this pan; you can answer for: {may}.").format(
                step_id=step_id, may=", ".join(may) or _("none yet")
            )
        )
    if step_id not in may:
        kind = _(known[step_id].kind.replace("_", " "))
        raise InputError(
            _(
                "{step_id} ({kind}) is not asked about: it is in no figure, or the pan shows by itself what it was. You can answer for: {may}."
            ).format(step_id=step_id, kind=kind, may=", ".join(may) or _("none yet"))
        )


def need_drained(state: BayState) -> None:
    """A drain that is over with next to nothing in the pan was drained beside it. Raises InputError."""
    if state.stage not in DRAINING:
        return
    drained_l = balance.report(state).drained_l
    if drained_l is None or drained_l < TRACE_L:
        raise InputError(
            _(
                "Nothing was measured in the pan. Is it under the drain? Was the fluid drawn off by suction into another vessel? Then pour it into the pan. If nothing is to be measured, press Drain done once more."
            )
        )


def meanwhile(pan_moved: bool, filled: bool) -> str:
    """What was said of the time in which the station was stopped, for the record."""
    words = {True: _("yes"), False: _("no")}
    return _("while the station was stopped: pan moved: {moved}; anything filled: {filled}").format(
        moved=words[pan_moved], filled=words[filled]
    )
