"""Comparing shops, bays and meters fairly: with how many jobs stand behind each, with limits, and with "too few to tell".

Pure. Nothing here says why, and nothing says through whom.
"""

import math
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from heapq import nsmallest
from itertools import groupby
from statistics import NormalDist
from typing import Final, Generic, TypeVar

import numpy as np
import numpy.typing as npt

from calibration.student import student_t
from station.common.words import N_
from station.learning.chance import mode_of, rising
from station.learning.quality import RECURRING_AT

Z95 = 1.96
"""Of a normal distribution, 95 % between both (from memory; any table)."""
ALPHA = 0.05
"""Chance of crying wolf at all among those compared."""
NOTHING = 1e-9
"""Of a chance that is compared with a limit, so little changes nothing."""
MEANS_FROM = 10
"""Fewer fills than this make no mean worth comparing: t for 9 degrees of freedom is 15 % beyond its limit."""

LIKE: Final = N_("like its sisters")
TOO_FEW: Final = N_("too few to tell")
T = TypeVar("T")
S = TypeVar("S")
_Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Judged(Generic[T]):
    """What was compared with each other. out: what stands out. rest: the others, or as many of them as were asked for. like, few: so
    many are like their sisters, and of so many nothing can be said."""

    out: Sequence[T]
    rest: Sequence[T]
    like: int
    few: int

    @property
    def shown(self) -> list[T]:
        return [*self.out, *self.rest]

    def told(self, make: Callable[[T], S]) -> "Judged[S]":
        """The same, each as something else."""
        return Judged(list(map(make, self.out)), list(map(make, self.rest)), self.like, self.few)


@dataclass(frozen=True)
class Share:
    """How many of a subject's jobs came up short. low, high: 95 % limits of the share. limit: so many are more than chance
    explains; None where no number would be. says: "more than its sisters", "like its sisters" or "too few to tell"."""

    name: str
    jobs: int
    short: int
    low: float
    high: float
    limit: int | None
    says: str


def wilson(k: int, n: int) -> tuple[float, float]:
    """95 % limits of a share of k among n (Wilson's score interval; NIST/SEMATECH e-Handbook 7.2.4.1)."""
    if n == 0:
        return 0.0, 1.0
    p, z2 = k / n, Z95**2
    middle = (p + z2 / (2 * n)) / (1 + z2 / n)
    half = Z95 * math.sqrt(p * (1 - p) / n + z2 / (4 * n * n)) / (1 + z2 / n)
    return max(0.0, middle - half), min(1.0, middle + half)


@lru_cache(4096)
def limit_of(jobs: int, short: int, n: int, alpha: float) -> int | None:
    """From how many short fills on chance explains n jobs' no longer, of so many of all; three at least. None where not even all
    of them short would be enough.

    The upper limit of a chart of shares (NIST/SEMATECH e-Handbook 6.3.3.2, from memory), exact instead of by the normal
    distribution: that one needs five short fills to be expected, which few months of a shop have.
    """
    most = min(n, short)
    k = max(RECURRING_AT, min(mode_of(jobs, short, n), most))
    if k > most:
        return None
    terms, tail = rising(jobs, short, n, k, alpha * NOTHING), 0.0
    for at in range(k + len(terms) - 1, k - 1, -1):
        tail += terms[at - k]
        if tail >= alpha:
            return at + 1 if at < most else None
    return k


def shares(
    names: Sequence[T],
    jobs: Sequence[int],
    short: Sequence[int],
    *,
    most: int | None = None,
    called: Callable[[T], str] = str,
) -> Judged[Share]:
    """Each subject's share of short fills against all of them together, the largest first. names, jobs, short: of each subject. most:
    so many of those that do not stand out are wanted, None for all. called: the subject's name, in whose order they sort.

    A subject has more than its sisters where so many would come by chance less than once in twenty such comparisons
    (Fisher's exact test, divided among those compared), and three at least. Too few: where not even all of them short would
    show it.
    """
    alike, compared = Counter(zip(jobs, short, strict=True)), len(names)
    of_all = sum(jobs), sum(short)
    sizes = {n for n, _ in alike} if compared > 1 else set()
    limits = {n: limit_of(*of_all, n, ALPHA / compared) for n in sizes}
    says: dict[tuple[int, int], str] = {}
    for n, k in alike:
        limit = limits.get(n)
        if limit is not None and k >= limit:
            says[n, k] = N_("more than its sisters")
        else:
            says[n, k] = TOO_FEW if limit is None and (of_all[1] or compared < 2 or not n) else LIKE
    told = Counter({LIKE: 0, TOO_FEW: 0})
    for pair, n in alike.items():
        told[says[pair]] += n

    def first(pairs: Iterable[tuple[int, int]], most: int) -> list[Share]:
        wanted: dict[tuple[int, int], float] = {}
        so_many = 0
        for share, same in groupby(sorted(pairs, key=_share, reverse=True), key=_share):
            if so_many >= most:
                break
            of = list(same)
            wanted |= dict.fromkeys(of, -share)
            so_many += sum(alike[pair] for pair in of)
        each = zip(names, zip(jobs, short, strict=True), strict=True) if wanted else ()
        found = nsmallest(most, ((wanted[pair], name, pair) for name, pair in each if pair in wanted))
        return [
            Share(called(name), n, k, *wilson(k, n), limits.get(n), says[n, k]) for _, name, (n, k) in found
        ]

    rest = {pair for pair in alike if says[pair] in (LIKE, TOO_FEW)}
    shown = first(rest, compared if most is None else most)
    return Judged(first(alike.keys() - rest, compared), shown, told[LIKE], told[TOO_FEW])


def _share(pair: tuple[int, int]) -> float:
    return pair[1] / pair[0] if pair[0] else 0.0


@dataclass(frozen=True)
class Mean:
    """A meter's mean deviation against that of its sisters, percent. u95_percent: of the difference; None with the difference
    where too few stand on either side. says: "off its sisters", "like its sisters" or "too few to tell"."""

    name: str
    n: int
    mean_percent: float | None
    difference_percent: float | None
    u95_percent: float | None
    says: str


def means(
    names: Sequence[T],
    fills: Sequence[int],
    means: Sequence[float | None] | _Floats,
    sds: Sequence[float | None] | _Floats,
    *,
    most: int | None = None,
    called: Callable[[T], str] = str,
) -> Judged[Mean]:
    """Each meter against its sisters together, those with the most fills first. names, fills, means, sds: of each meter its number of
    fills, their mean and their standard deviation, None or not a number where there is none. most: so many of those that do not
    stand out are wanted, None for all. called: the meter's name, in whose order they sort.

    Welch's comparison of two means (NIST/SEMATECH e-Handbook 1.3.5.3), its 5 % divided among those compared. The one that is
    furthest off is named first and is no sister of the others from then on: it would pull them all off. Of two that are left and
    differ nobody can say which one is off: both are named.
    """
    every = np.array((fills, means, sds), dtype=float).T
    sound = np.flatnonzero(np.isfinite(every).all(axis=1) & (every[:, 0] >= MEANS_FROM))
    of, percent = every[sound], 100.0 * (1.0 - ALPHA / max(1, len(sound)))
    off, difference, u, dof = np.zeros(len(sound), dtype=bool), *[np.zeros(0)] * 3
    while len(sound):
        difference, u, dof = _against(of, ~off)
        furthest = _furthest(np.where(off, 0.0, difference), u, dof, percent)
        if furthest is None:
            break
        if (~off).sum() == 2:
            off[:] = True
            break
        off[furthest] = True
    some = np.flatnonzero(np.isfinite(u))
    told = dict(zip(sound[some].tolist(), some.tolist(), strict=True))
    out = set(sound[some[off[some]]].tolist())

    def mean(at: int) -> Mean:
        name, n = called(names[at]), fills[at]
        own = float(every[at, 1]) if math.isfinite(every[at, 1]) else None
        if (k := told.get(at)) is None:
            return Mean(name, n, own, None, None, TOO_FEW)
        against = float(difference[k]), student_t(float(dof[k]), percent) * float(u[k])
        return Mean(name, n, own, *against, N_("off its sisters") if off[k] else LIKE)

    def ranked(of: Iterable[int], most: int) -> list[Mean]:
        return [mean(at) for _, _, at in nsmallest(most, ((-fills[at], names[at], at) for at in of))]

    rest = [at for at in range(len(names)) if at not in out]
    shown = ranked(rest, len(rest) if most is None else most)
    return Judged(ranked(out, len(out)), shown, len(told) - len(out), len(names) - len(told))


def _furthest(difference: _Floats, u: _Floats, dof: _Floats, percent: float) -> int | None:
    """Which one is off by most, as many times its expanded uncertainty; None where none is off by more than once that."""
    z = NormalDist().inv_cdf(0.5 + percent / 200.0)
    most = np.where(u > 0, np.abs(difference) / np.where(u > 0, u, 1.0), 0.0) / z  # t is never below z
    found, ratio = None, 1.0
    for k in np.argsort(-most, kind="stable"):
        if most[k] <= ratio:
            break
        if (exact := float(most[k]) * z / student_t(dof[k], percent)) > ratio:
            found, ratio = int(k), exact
    return found


def _against(of: _Floats, sister: npt.NDArray[np.bool_]) -> tuple[_Floats, _Floats, _Floats]:
    """Of each, the difference of its mean from that of the others among the sisters, its standard uncertainty, percent, and its
    degrees of freedom; the uncertainty is infinite without sisters. of: number, mean and standard deviation, a row each.

    From sums over all sisters less one's own share: the cost grows with their number, not with its square.
    """
    n, x, sd = (
        of[:, 0],
        of[:, 1] - np.median(of[:, 1]),
        of[:, 2],
    )  # about their middle, so that no digit is lost in squares
    squares = (n - 1) * sd**2 + n * x**2
    m, total, whole = ((each * sister).sum() - each * sister for each in (n, n * x, squares))
    some = m > 0
    m = np.where(some, m, 2.0)
    centre = total / m
    within = whole - m * centre**2
    a, b = sd**2 / n, np.where(within > NOTHING * whole, within, 0.0) / (m - 1) / m
    both = np.where(a + b > 0, a + b, 1.0)
    dof = np.where(a + b > 0, both**2 / (a**2 / (n - 1) + b**2 / (m - 1) + np.where(a + b > 0, 0.0, 1.0)), n)
    return np.where(some, x - centre, 0.0), np.where(some, np.sqrt(a + b), np.inf), np.maximum(1.0, dof)
