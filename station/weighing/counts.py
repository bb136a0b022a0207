"""Raw counts of the pan before they mean anything: stuck ones and ones that lost a bit on the wire."""

import math
from dataclasses import dataclass

from station.common.evolve import evolve
from station.weighing.limits import LIMITS


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
    if t_s - counts.t_s < LIMITS.fresh_s and _lost_bit(counts, count, noise_counts):
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
    if off < max(LIMITS.lost_bit_counts, 4.0 * near):
        return False
    shifted = abs(count - 2 * last) <= 2.0 * near or abs(2 * count - last) <= 2.0 * near
    return shifted or any(
        abs(off - (1 << bit)) <= near < (1 << bit) / LIMITS.bit_clear_of for bit in range(24)
    )


def _take(counts: Counts, t_s: float, count: int, noise_counts: float) -> tuple[Counts, str | None]:
    fresh = counts.last is not None and t_s - counts.t_s <= LIMITS.fresh_s
    unrest = max(abs(count - (counts.last or 0)), LIMITS.calms * counts.unrest) if fresh else 0.0
    if count != counts.last or noise_counts < 1.0:
        finding = "moving" if counts.stuck else None
        return Counts(count, t_s, unrest, t_s, 1), finding
    n = counts.same_n + 1
    for_s = t_s - counts.same_since_s
    dense = for_s <= (n - 1) / LIMITS.stuck_per_s
    stuck = counts.stuck or (
        dense
        and (for_s >= LIMITS.stuck_s or chance(n, counts.unrest, noise_counts) <= LIMITS.stuck_by_chance)
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
