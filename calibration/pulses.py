"""Two pulse trains of one meter compared: has a pulse been lost or made up on the way?

After ISO 6551 (fidelity and security of pulsed data): a meter with two trains lets every fault that hits
one of them be seen. The limit of one pulse in 10,000 is from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

LIMIT_REL: Final = 1e-4
# The trains are out of phase, so at any moment one may be a pulse ahead, at both ends of the comparison.
PHASE_PULSES: Final = 2


@dataclass(frozen=True)
class Fidelity:
    """What two trains counted, and where they parted.

    difference: first train minus second at the end. furthest: the most that they were apart at any sample,
    so that a lost pulse cannot be made good by a false one. first_fault: index of the first sample at which
    they were further apart than phase allows, None if there is none.
    """

    pulses: int
    pulses_b: int
    difference: int
    furthest: int
    first_fault: int | None
    limit_pulses: int

    @property
    def faithful(self) -> bool:
        """Whether the trains stayed within the limit of each other all the time."""
        return self.furthest <= self.limit_pulses

    @property
    def relative(self) -> float:
        """Difference over the larger count, 0 where nothing was counted."""
        most = max(self.pulses, self.pulses_b)
        return self.difference / most if most else 0.0


def compare(counts: Sequence[int], counts_b: Sequence[int], limit_rel: float = LIMIT_REL) -> Fidelity:
    """Compare two cumulative counts, sampled together.

    limit_rel: share of the pulses that may differ, beside two for the phase. Raises ValueError for unequal
    lengths, fewer than two samples, or a count that falls.
    """
    a, b = np.asarray(counts, dtype=np.int64), np.asarray(counts_b, dtype=np.int64)
    if a.shape != b.shape or a.ndim != 1 or a.size < 2:
        raise ValueError(
            f"{a.size} and {b.size} samples, expected two or more, the same number of each train."
        )
    for name, x in (("first", a), ("second", b)):
        if (np.diff(x) < 0).any():
            at = int(np.argmax(np.diff(x) < 0)) + 1
            raise ValueError(f"the {name} train's count falls at sample {at}, expected a cumulative count.")
    if not 0.0 <= limit_rel <= 0.1:
        raise ValueError(f"limit_rel is {limit_rel!r}, expected 0 to 0.1 (0.0001 is one pulse in 10,000).")
    apart = (a - a[0]) - (b - b[0])
    faults = np.flatnonzero(np.abs(apart) > PHASE_PULSES)
    n, n_b = int(a[-1] - a[0]), int(b[-1] - b[0])
    limit = PHASE_PULSES + int(limit_rel * max(n, n_b))
    furthest = int(np.abs(apart).max())
    return Fidelity(n, n_b, n - n_b, furthest, int(faults[0]) if faults.size else None, limit)
