"""What a technician says by a press: the words that recordings, pages and the record share."""

from enum import StrEnum


class Mark(StrEnum):
    """What the technician has done, in the order of the job."""

    PAN_PLACED = "pan_placed"
    STANDS_LEVEL = "stands_level"
    """A spirit level lay on the housing, along and across, and showed level; at any time before the plug goes in."""
    DRAIN_OPEN = "drain_open"
    DRAIN_DONE = "drain_done"
    FLUSH = "flush"
    RESEAL_DONE = "reseal_done"
    HOSE_FULL = "hose_full"
    """Fluid without bubbles came at the end of the hose, into a can; before the fill."""
    FILL_START = "fill_start"
    LIP_PROOF = "lip_proof"
    LEVEL_SEEN = "level_seen"
    FILL_DONE = "fill_done"
    PLUG_IN = "plug_in"
    CLOSE = "close"
    TAKE_BACK = "take_back"
    """The mark before it was a slip; see ``station.core.take_back``."""


class Came(StrEnum):
    """What something was that came onto the pan."""

    FLUID = "fluid"
    OBJECT = "object"


class SetAside(StrEnum):
    """An interlock that the pump may run in spite of, with a reason; those of ``station.core.interlock_table``."""

    WRONG_GRADE = "wrong_grade"
    HOSE_HOLDS = "hose_holds"
