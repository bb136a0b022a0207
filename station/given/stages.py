"""The stages of a job, and what leads from one to the next: one list, one table.

A stage's value is the word that stands in the ledger and in JSON.
"""

from collections.abc import Mapping
from enum import StrEnum


class Stage(StrEnum):
    """Where a job stands, in the order in which a job goes through them."""

    PLAN = "plan"
    DRAIN = "drain"
    DRIP = "drip"
    RESEAL = "reseal"
    FILL = "fill"
    SETTLE = "settle"
    LEAK_WATCH = "leak watch"
    CLOSED = "closed"
    ABANDONED = "abandoned"


class Cause(StrEnum):
    """What moves a job on: a technician's mark, by its word in a recording, or what the station sees by itself."""

    DRAIN_OPEN = "drain_open"
    DRAIN_DONE = "drain_done"
    FLUSH = "flush"
    RESEAL_DONE = "reseal_done"
    FILL_START = "fill_start"
    LIP_PROOF = "lip_proof"
    FILL_DONE = "fill_done"
    PLUG_IN = "plug_in"
    CLOSE = "close"
    ABANDON = "abandon"
    BULK_ENDED = "bulk ended"
    """The pan has stopped gaining faster than a drip."""
    BULK_AGAIN = "bulk again"
    """A stream runs again soon after it seemed to have ended."""
    SOLVENT_SEEN = "solvent seen"
    """Something flows that is no drip."""


FINISHED = frozenset({Stage.CLOSED, Stage.ABANDONED})
"""Nothing is marked, watched or pumped any more."""
UNDER_WAY = frozenset(Stage) - FINISHED
DRAINING = frozenset({Stage.DRAIN, Stage.DRIP})
"""What comes into the pan is old fluid and counts as drained."""
BEFORE_FILL = frozenset({Stage.PLAN, Stage.DRAIN, Stage.DRIP, Stage.RESEAL})
"""The hose may be purged into a waste vessel."""
NEEDS_FLUID = BEFORE_FILL | {Stage.FILL}
"""The container at the pump still has to give what the job needs."""
PUMPED = frozenset({Stage.FILL, Stage.SETTLE})
"""What comes into the pan may have run over at the plug."""
HANDS_ON_PAN = frozenset({Stage.PLAN, Stage.RESEAL})
"""Hands belong on the pan: nothing is said about what they do."""

TRANSITIONS: Mapping[Cause, tuple[frozenset[Stage], Stage]] = {
    Cause.DRAIN_OPEN: (UNDER_WAY, Stage.DRAIN),
    Cause.BULK_ENDED: (frozenset({Stage.DRAIN}), Stage.DRIP),
    Cause.BULK_AGAIN: (frozenset({Stage.DRIP}), Stage.DRAIN),
    Cause.SOLVENT_SEEN: (frozenset({Stage.DRIP}), Stage.RESEAL),
    Cause.DRAIN_DONE: (UNDER_WAY, Stage.RESEAL),
    Cause.FLUSH: (UNDER_WAY, Stage.RESEAL),
    Cause.RESEAL_DONE: (UNDER_WAY, Stage.RESEAL),
    Cause.FILL_START: (UNDER_WAY, Stage.FILL),
    Cause.LIP_PROOF: (PUMPED, Stage.FILL),
    Cause.FILL_DONE: (UNDER_WAY, Stage.SETTLE),
    Cause.PLUG_IN: (UNDER_WAY, Stage.LEAK_WATCH),
    Cause.CLOSE: (UNDER_WAY, Stage.CLOSED),
    Cause.ABANDON: (UNDER_WAY, Stage.ABANDONED),
}
"""Cause → the stages from which it leads on, and where to.

A mark counts whatever stage it is set in: the technician is believed, and a recording that skips a stage is still a job.
Which marks the page offers in which stage stands in ``station.bay.checklist``.
"""


def after(stage: Stage, cause: Cause) -> Stage:
    """The stage that follows; the same one where the cause leads nowhere from here."""
    from_stages, to_stage = TRANSITIONS[cause]
    return to_stage if stage in from_stages else stage
