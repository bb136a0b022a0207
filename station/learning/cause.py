"""One likely cause with what it rests on, and how well numbers fit it."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

NAMED_AT, LIKELY_AT = 0.5, 0.9


@dataclass(frozen=True)
class Cause:
    """kind: a stable word. certainty: "likely" or "possible". numbers: what the weight rests on."""

    kind: str
    certainty: str
    weight: float
    text: str
    numbers: Mapping[str, float | str | None] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        return {**vars(self), "numbers": dict(self.numbers)}


def real(amount: float, u: float) -> float:
    """Probability that an amount is above zero, from its standard uncertainty."""
    return 0.5 * math.erfc(-amount / (max(u, 1e-9) * math.sqrt(2.0)))


def fits(amount: float, wanted: float, u: float) -> float:
    """1 where two amounts agree, falling off with their difference over u."""
    return math.exp(-0.5 * ((amount - wanted) / max(u, 1e-9)) ** 2)


def cause_of(kind: str, weight: float, text: str, **numbers: float | str | None) -> Cause:
    """As certain as its weight."""
    return Cause(kind, "likely" if weight >= LIKELY_AT else "possible", weight, text, numbers)
