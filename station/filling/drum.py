"""The drum that the pump draws from: what is left in it, counted down by every litre that passes the meter.

Fill, purge, overrun, siphon, air that was taken for fluid: whatever turns the meter left the drum. The stock books
(station.shop.stock) say what stands in all containers; this is the one at the pump, while the pump runs.
"""

import json
import math
from dataclasses import asdict, dataclass

from calibration.budget import expanded
from station.common.evolve import evolve
from station.filling.limits import LIMITS


@dataclass(frozen=True)
class Drum:
    """container: the shop's name of it. left_l as of the moment when the meter stood at total_l; u_l of the count."""

    container: str
    fluid: str
    grade: str
    left_l: float
    u_l: float = 0.0
    total_l: float = 0.0

    def to_text(self) -> str:
        """As a sample of a recording carries it."""
        return json.dumps(asdict(self))

    @classmethod
    def from_text(cls, text: str) -> "Drum":
        """What ``to_text`` wrote. Raises ValueError saying what is wrong."""
        wrong = f"a drum is {text[:60]!r}; expected container, fluid, grade, left_l and its doubt u_l as one JSON object"
        try:
            drum = cls(**json.loads(text))
        except (TypeError, ValueError, RecursionError) as error:
            raise ValueError(wrong) from error
        texts = (drum.container, drum.fluid, drum.grade)
        numbers = (drum.left_l, drum.u_l, drum.total_l)
        if not all(isinstance(x, str) for x in texts) or not all(_is_volume(x) for x in numbers):
            raise ValueError(wrong)
        return drum

    def now(self, total_l: float) -> "Drum":
        """The drum with the meter at total_l, never below empty; its doubt grows with what was drawn."""
        drawn_l = total_l - self.total_l
        if drawn_l <= 0:
            return self
        left_l, u_l = max(0.0, self.left_l - drawn_l), self.u_l + LIMITS.u_drum_rel * drawn_l
        return evolve(self, left_l=left_l, u_l=u_l, total_l=total_l)


def _is_volume(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and 0.0 <= value < math.inf


def short_by_l(drum: Drum, needed_l: float) -> float:
    """How much is missing for a job that needs so much, its doubt counted against it; 0 when it is enough."""
    return max(0.0, needed_l + LIMITS.spare_l - (drum.left_l - expanded(drum.u_l)))
