"""Raw counts of the pan before they mean anything: stuck ones and ones that lost a bit on the wire."""

import math
from dataclasses import dataclass

from station.common.evolve import evolve

STUCK_S = 5.0
STUCK_BY_CHANCE = 1e-7
"""A converter's noise repeats a count now and then; so unlikely a run of repeats is no chance."""
STUCK_PER_S = 2.0
"""A recording sparser than this may well have been written by hand."""
BITS = range(10, 24)
FRESH_S = 1.0
CALMS = 0.95
CLEAR_OF = 12
"""A power of two is one only where counts are steadier than this share of it."""


@dataclass(frozen=True)
class Counts:
    """last: the newest count taken in and when. same_since_s, same_n: how long it has been identical.

    unrest: how much counts have lately changed from one to the next. held: a count that looks as if it had lost a bit; the next one tells.
    """

    last: int | None = None
    t_s: float = 0.0
    unrest: float = 0.0
    same_since_s: float = 0.0
    same_n: int = 0
    stuck: bool = False
    held: tuple[float, int] | None = None


def check(
    counts: Counts, t_s: float, count: int, noise_counts: float
) -> tuple[Counts, tuple[tuple[float, int], ...], str | None]:
    """What to take in now, and what was found: "bit", "stuck", "moving" (stuck no more) or None.

    A count off by a power of two, for one reading alone, is a lost bit and is left out.
    """
    if counts.held is not None:
        held, counts = counts.held, evolve(counts, held=None)
        back = counts.last is not None and abs(count - counts.last) < 2.0 * _near(counts, noise_counts)
        if back:
            counts, finding = _take(counts, t_s, count, noise_counts)
            return counts, ((t_s, count),), finding or "bit"
        counts, _ = _take(counts, *held, noise_counts)
        counts, finding = _take(counts, t_s, count, noise_counts)
        return counts, (held, (t_s, count)), finding
    if t_s - counts.t_s < FRESH_S and _lost_bit(counts, count, noise_counts):
        return evolve(counts, held=(t_s, count)), (), None
    counts, finding = _take(counts, t_s, count, noise_counts)
    return counts, ((t_s, count),), finding


def _near(counts: Counts, noise_counts: float) -> float:
    """How far the next count may be from where it belongs."""
    return 5.0 * noise_counts + 1.5 * counts.unrest + 2.0


def _lost_bit(counts: Counts, count: int, noise_counts: float) -> bool:
    last = counts.last
    if last is None:
        return False
    off = abs(count - last)
    near = _near(counts, noise_counts)
    if off < max(1000.0, 4.0 * near):
        return False
    shifted = abs(count - 2 * last) <= 2.0 * near or abs(2 * count - last) <= 2.0 * near
    return shifted or any(abs(off - (1 << bit)) <= near < (1 << bit) / CLEAR_OF for bit in BITS)


def _take(counts: Counts, t_s: float, count: int, noise_counts: float) -> tuple[Counts, str | None]:
    fresh = counts.last is not None and t_s - counts.t_s <= FRESH_S
    unrest = max(abs(count - (counts.last or 0)), CALMS * counts.unrest) if fresh else 0.0
    if count != counts.last or noise_counts < 1.0:
        finding = "moving" if counts.stuck else None
        return Counts(count, t_s, unrest, t_s, 1), finding
    n = counts.same_n + 1
    for_s = t_s - counts.same_since_s
    dense = for_s <= (n - 1) / STUCK_PER_S
    stuck = counts.stuck or (
        dense and (for_s >= STUCK_S or chance(n, counts.unrest, noise_counts) <= STUCK_BY_CHANCE)
    )
    finding = "stuck" if stuck and not counts.stuck else None
    return evolve(counts, t_s=t_s, unrest=unrest, same_n=n, stuck=stuck), finding


def chance(n: int, unrest: float, noise_counts: float) -> float:
    """How probable it is that a live converter gives n identical counts in a row.

    Two readings of normal noise, rounded, are the same with probability 1 / (2 √π σ): the density of their difference at
    0. σ is what the counts lately did, never more than the cell's stated noise, so that a quiet cell is not called stuck.
    """
    sigma = min(unrest / 4.0, noise_counts)
    return (1.0 / (2.0 * math.sqrt(math.pi) * sigma)) ** (n - 1) if sigma >= 1.0 else 1.0
