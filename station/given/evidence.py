"""What is known of a job's witnesses beforehand, or weighed beside the station: facts, typed."""

from dataclasses import dataclass


@dataclass(frozen=True)
class MeterRecord:
    """What the shop's record says of the bay's meter.

    fills: whose level was proved, of late. offset_rel, u_offset_rel: mean of (metered − expected) / expected over them,
    and its standard uncertainty. fills_since: fills since the last of them. proved: its proving is in date.
    """

    fills: int = 0
    offset_rel: float = 0.0
    u_offset_rel: float = 0.0
    fills_since: int = 0
    proved: bool = False


@dataclass(frozen=True)
class ContainerWeighing:
    """The container before and after the fill, kg as indicated, and the standard uncertainty of one weighing."""

    before_kg: float
    after_kg: float
    u_kg: float = 0.02
