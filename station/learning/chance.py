"""What chance alone would bring: so many short fills among so many jobs."""

import math


def chance(jobs: int, short: int, n: int, k: int) -> float:
    """P(at least k short among n), had the shop's short fills fallen on its jobs at random (Fisher's exact test).

    jobs, short: of the whole shop, the n included.
    """
    low, high = max(k, n - (jobs - short), 0), min(n, short)
    return min(1.0, math.fsum(chance_of(jobs, short, n, i) for i in range(low, high + 1)))


def chance_of(jobs: int, short: int, n: int, k: int) -> float:
    """P(k short among n), of the same (the hypergeometric distribution)."""
    every = _log_choose(short, k) + _log_choose(jobs - short, n - k) - _log_choose(jobs, n)
    return math.exp(every)


def _log_choose(a: int, b: int) -> float:
    return math.lgamma(a + 1) - math.lgamma(b + 1) - math.lgamma(a - b + 1)
