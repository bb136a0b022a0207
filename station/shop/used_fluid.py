"""What the disposal record says of a period."""

from dataclasses import asdict, dataclass
from typing import Any


@dataclass(frozen=True)
class UsedFluid:
    """Of the disposal record, litres: drained, run over, purged and wasted, and what was taken away."""

    drained_l: float
    overflow_l: float
    purge_l: float
    waste_l: float
    total_l: float
    total_u95_l: float
    collected_l: float

    def to_dict(self) -> dict[str, Any]:
        return asdict(self)
