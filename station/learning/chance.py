"""What chance alone would bring: so many short fills among so many jobs."""

import math

NOTHING = 1e-17
"""Of a sum, so little more changes nothing."""


def chance(jobs: int, short: int, n: int, k: int) -> float:
    """P(at least k short among n), had the shop's short fills fallen on its jobs at random (Fisher's exact test).

    jobs, short: of the whole shop, the n included.
    """
    if k > mode_of(jobs, short, n):
        return math.fsum(rising(jobs, short, n, k))
    return 1.0 - math.fsum(rising(jobs, jobs - short, n, n - k + 1))  # the others are at most n - k


def mode_of(jobs: int, short: int, n: int) -> int:
    """The likeliest number short among n."""
    return (n + 1) * (short + 1) // (jobs + 2)


def rising(jobs: int, short: int, n: int, k: int, least: float = 0.0) -> list[float]:
    """P(k short among n), P(k + 1) … as long as they count; k: beyond the likeliest number, so that each is less likely than the
    last. least: what does not count."""
    most, at, found, whole = min(n, short), k, [], 0.0
    term = chance_of(jobs, short, n, k) if k <= most else 0.0
    while at <= most and term > max(least, NOTHING * whole):
        found.append(term)
        whole += term
        term *= (short - at) * (n - at) / ((at + 1) * (jobs - short - n + at + 1))
        at += 1
    return found


def chance_of(jobs: int, short: int, n: int, k: int) -> float:
    """P(k short among n), of the same (the hypergeometric distribution)."""
    every = _log_choose(short, k) + _log_choose(jobs - short, n - k) - _log_choose(jobs, n)
    return math.exp(every)


def _log_choose(a: int, b: int) -> float:
    return math.lgamma(a + 1) - math.lgamma(b + 1) - math.lgamma(a - b + 1)
