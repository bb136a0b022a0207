"""Comparing shops, bays and meters fairly: with how many jobs stand behind each, with limits, and with "too few to tell".

Pure. Nothing here says why, and nothing says through whom.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from calibration.student import student_t
from station.common.words import N_
from station.learning.chance import chance_of
from station.learning.quality import RECURRING_AT

Z95 = 1.96
"""Of a normal distribution, 95 % between both (from memory; any table)."""
ALPHA = 0.05
"""Chance of crying wolf at all among those compared."""
NOTHING = 1e-9
"""Of a chance that is compared with a limit, so little changes nothing."""
MEANS_FROM = 10
"""Fewer fills than this make no mean worth comparing: t for 9 degrees of freedom is 15 % beyond its limit."""


@dataclass(frozen=True)
class Share:
    """How many of a subject's jobs came up short. low, high: 95 % limits of the share. limit: so many are more than chance
    explains; None where no number would be. says: "more than its sisters", "like
    its sisters" or "too few to tell"."""

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


def limit_of(jobs: int, short: int, n: int, alpha: float) -> int | None:
    """From how many short fills on chance explains n jobs' no longer, of so many of all; three at least. None where not even all
    of them short would be enough.

    The upper limit of a chart of shares (NIST/SEMATECH e-Handbook 6.3.3.2, from memory), exact instead of by the normal
    distribution: that one needs five short fills to be expected, which few months of a shop have.
    """
    most, mode = min(n, short), (n + 1) * (short + 1) // (jobs + 2)
    k = max(RECURRING_AT, min(mode, most))
    if k > most:
        return None
    terms: list[float] = []
    term = chance_of(jobs, short, n, k)
    while (
        k + len(terms) <= most and term > alpha * NOTHING
    ):  # beyond the likeliest number each is less likely than the last
        at = k + len(terms)
        terms.append(term)
        term *= (short - at) * (n - at) / ((at + 1) * (jobs - short - n + at + 1))
    last, tail = k + len(terms) - 1, 0.0
    for at in range(last, k - 1, -1):
        tail += terms[at - k]
        if tail >= alpha:
            return at + 1 if at < most else None
    return k


def shares(counts: Sequence[tuple[str, int, int]]) -> list[Share]:
    """Each subject's share of short fills against all of them together. counts: name, jobs, short.

    A subject has more than its sisters where so many would come by chance less than once in twenty such comparisons
    (Fisher's exact test, divided among those compared), and three at least. Too few: where not even all of them short would
    show it.
    """
    jobs, short, compared = sum(c[1] for c in counts), sum(c[2] for c in counts), max(1, len(counts))
    found = []
    limits = {
        n: limit_of(jobs, short, n, ALPHA / compared) for n in {c[1] for c in counts if len(counts) > 1}
    }
    for name, n, k in counts:
        limit = limits.get(n)
        if limit is not None and k >= limit:
            says = N_("more than its sisters")
        elif limit is None and (short or len(counts) < 2 or not n):
            says = N_("too few to tell")
        else:
            says = N_("like its sisters")
        found.append(Share(name, n, k, *wilson(k, n), limit, says))
    return sorted(found, key=lambda s: (-s.short / s.jobs if s.jobs else 0.0, s.name))


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


def means(measured: Sequence[tuple[str, int, float | None, float | None]]) -> list[Mean]:
    """Each meter against its sisters together. measured: name, number of fills, their mean and their standard deviation.

    Welch's comparison of two means (NIST/SEMATECH e-Handbook 1.3.5.3), its 5 % divided among those compared. The one that is
    furthest off is named first and is no sister of the others from then on: it would pull them all off. Of two that are left and
    differ nobody can say which one is off: both are named.
    """
    sound = [
        (n, m, s, at)
        for at, (_, n, m, s) in enumerate(measured)
        if m is not None and s is not None and n >= MEANS_FROM
    ]
    if not sound:
        return [_mean(name, n, mean, None, False) for name, n, mean, _ in measured]
    of, percent = np.array(sound, dtype=float), 100.0 * (1.0 - ALPHA / len(sound))
    off = np.zeros(len(sound), dtype=bool)
    while True:
        difference, u, dof = _against(of, ~off)
        furthest = _furthest(np.where(off, 0.0, difference), u, dof, percent)
        if furthest is None:
            break
        if (~off).sum() == 2:
            off[:] = True
            break
        off[furthest] = True
    told = [_mean(name, n, mean, None, False) for name, n, mean, _ in measured]
    for k, (n, mean, _, at) in enumerate(sound):
        if math.isfinite(u[k]):
            against = float(difference[k]), student_t(dof[k], percent) * float(u[k])
            told[at] = _mean(measured[at][0], n, mean, against, bool(off[k]))
    return told


_Floats = npt.NDArray[np.float64]


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


def _mean(name: str, n: int, mean: float | None, against: tuple[float, float] | None, off: bool) -> Mean:
    if against is None or math.isinf(against[1]):
        return Mean(name, n, mean, None, None, N_("too few to tell"))
    return Mean(name, n, mean, *against, N_("off its sisters") if off else N_("like its sisters"))
