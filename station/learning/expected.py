"""Expected fill: the listed figure until the shop's own closed jobs know better.

Normal model with known variances (empirical Bayes). Types of compartment differ from what is listed for them by a
spread tau; jobs on one type differ among themselves by a repeatability s; every fill of one meter carries the same
calibration error u_common, which no number of jobs averages out. With n fills of mean m and the listed expectation p:

    v = s²/n + u_common²        weight = tau² / (tau² + v)
    value = p + weight · (m − p)        u_mean² = tau² · v / (tau² + v)

Only jobs whose level was seen at the plug count: the others were filled to the target, and would only repeat it.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any

from station.common.units import parse_volume_l
from station.errors import InputError
from station.given.config import Compartment
from station.given.job import RETAINED_BY_METHOD, expected_retained
from station.record.ledger import type_of

COLUMNS = (
    "vehicle compartment type capacity method listed_capacity_l expected_fill_l expected_fill_u95_l words n weight"
).split()

LISTED_U_REL = 0.015
"""Standard uncertainty of a listed capacity, relative: rounding, and where exactly the level is meant to stand
(common practice, no source: tenths of a litre)."""
PRIOR_JOBS = 5.0
"""How many jobs the method's own doubt (station.given.job.RETAINED_BY_METHOD) is worth, as scatter, against the shop's own."""
PRIOR_TYPES = 4.0
"""How many types the prior spread is worth against the shop's own."""
SHOP_JOBS = 5000
TYPE_JOBS = 200
CONTRADICTION = 0.25
"""A type this far off its listed figure is a wrong entry, and says nothing about the spread of right ones."""


@dataclass(frozen=True)
class Spread:
    """What the shop's jobs say about all types, relative to the listed expectation.

    tau_rel: spread between types. repeatability_rel: between jobs of one type. types, jobs: how many are behind it.
    """

    tau_rel: float
    repeatability_rel: float
    types: int = 0
    jobs: int = 0


@dataclass(frozen=True)
class Expected:
    """Expected fill in litres at the jobs' reference temperature.

    u_l: standard uncertainty for the next job, its own scatter included; it is what a verdict needs. u_mean_l: that
    of the type's mean. weight: 0 listed alone, 1 the shop's jobs alone. words: "listed", "learned from n jobs".
    mean_l: of the shop's fills. prior_l: what the listed capacity alone would expect.
    While it is "listed", the doubt in the listed figure itself stays outside: the tolerance is stated about it.
    """

    value_l: float
    u_l: float
    u_mean_l: float
    n: int
    words: str
    weight: float
    listed_l: float
    mean_l: float | None = None
    left_out: int = 0
    prior_l: float | None = None

    @property
    def retained_l(self) -> float:
        """What the figure leaves of the listed capacity; negative where more goes in than is listed."""
        return self.listed_l - self.value_l

    def to_dict(self) -> dict[str, Any]:
        return {
            "expected_fill_l": self.value_l,
            "expected_fill_u95_l": 2.0 * self.u_l,
            "mean_u95_l": 2.0 * self.u_mean_l,
            "listed_capacity_l": self.listed_l,
            "retained_l": self.retained_l,
            "n": self.n,
            "words": self.words,
            "weight": self.weight,
            "shop_mean_l": self.mean_l,
            "left_out": self.left_out,
        }


def shrink(
    prior: float, tau: float, mean: float, n: int, repeatability: float, u_common: float
) -> tuple[float, float, float]:
    """(value, u, weight of the mean): posterior of a normal mean under a normal prior, variances known.

    Source: Gelman et al., Bayesian Data Analysis, 2.5 (from memory). Raises ValueError for a negative spread or n < 1.
    """
    if n < 1 or min(tau, repeatability, u_common) < 0:
        raise ValueError(
            f"n is {n}, tau {tau}, repeatability {repeatability}, u_common {u_common}; "
            "expected n of 1 or more and no negative spread"
        )
    v = repeatability**2 / n + u_common**2
    if tau == 0.0 and v == 0.0:
        return (prior + mean) / 2.0, 0.0, 0.5
    weight = tau**2 / (tau**2 + v)
    return prior + weight * (mean - prior), math.sqrt(weight * v), weight


def prior_spread(method: str) -> Spread:
    """What holds before the shop has jobs of its own. method: a key of station.given.job.RETAINED_BY_METHOD."""
    u_retained_rel = RETAINED_BY_METHOD[method][1]
    return Spread(math.hypot(u_retained_rel, LISTED_U_REL), u_retained_rel)


def spread(method: str, types: Sequence[tuple[int, float, float]]) -> Spread:
    """Spread from the shop's types. types: (jobs, mean, sum of squares about it) of filled / listed expectation.

    Moments, each held back by a prior: s² = (n0·s0² + ΣSS) / (n0 + Σ(n−1)); tau² = (k0·tau0² + Σ(d² − s²/n)) /
    (k0 + k), never below zero.
    """
    prior = prior_spread(method)
    known = [t for t in types if abs(t[1] - 1.0) <= CONTRADICTION]
    degrees = sum(n - 1 for n, _, _ in known)
    s2 = (PRIOR_JOBS * prior.repeatability_rel**2 + sum(ss for _, _, ss in known)) / (PRIOR_JOBS + degrees)
    between = sum((mean - 1.0) ** 2 - s2 / n for n, mean, _ in known)
    tau2 = (PRIOR_TYPES * prior.tau_rel**2 + between) / (PRIOR_TYPES + len(known))
    return Spread(math.sqrt(max(0.0, tau2)), math.sqrt(s2), len(known), sum(n for n, _, _ in known))


def learn(
    listed_l: float, method: str, fills: Sequence[tuple[float, float]], shop: Spread | None = None
) -> Expected:
    """Expected fill of a type. fills: (filled, its standard uncertainty) in litres of its jobs whose level was seen.

    shop: ``spread`` of the shop's types; None where it has none. A fill far from the others is left out and counted.
    Raises ValueError for a listed capacity of zero or less; KeyError for an unknown method.
    """
    if not (math.isfinite(listed_l) and listed_l > 0):
        raise ValueError(f"listed_l is {listed_l}, expected litres above zero")
    retained_l, u_retained_l = expected_retained(method, listed_l)
    prior_l = listed_l - retained_l
    shop = prior_spread(method) if shop is None else shop
    kept = _without_strays(fills, shop.repeatability_rel * prior_l)
    if not kept:
        return Expected(prior_l, u_retained_l, u_retained_l, 0, "listed", 0.0, listed_l, prior_l=prior_l)
    n, mean_l = len(kept), sum(filled for filled, _ in kept) / len(kept)
    s2 = (PRIOR_JOBS * (shop.repeatability_rel * prior_l) ** 2 + sum((x - mean_l) ** 2 for x, _ in kept)) / (
        PRIOR_JOBS + n - 1
    )
    value_l, u_mean_l, weight = shrink(
        prior_l, shop.tau_rel * prior_l, mean_l, n, math.sqrt(s2), median(u for _, u in kept)
    )
    words = f"learned from {n} job{'s' if n > 1 else ''}"
    u_l = math.sqrt(u_mean_l**2 + s2)
    return Expected(value_l, u_l, u_mean_l, n, words, weight, listed_l, mean_l, len(fills) - n, prior_l)


def _without_strays(fills: Sequence[tuple[float, float]], s_l: float) -> list[tuple[float, float]]:
    """Fills within five robust standard deviations of their median; with fewer than three all count."""
    if len(fills) < 3:
        return list(fills)
    middle = median(x for x, _ in fills)
    scale = max(1.4826 * median(abs(x - middle) for x, _ in fills), s_l)
    return [(x, u) for x, u in fills if abs(x - middle) <= 5.0 * scale]


# --- from the ledger ---------------------------------------------------------------------------------------

_SEEN = "level_seen = 1 and stage = 'closed' and filled_l is not null and filled_u95_l is not null"


def shop_spread(ledger: Any, method: str) -> Spread:
    """Spread over the shop's newest jobs of one emptying method."""
    share = 1.0 - RETAINED_BY_METHOD[method][0]
    rows = ledger.db.execute(
        f"""select count(*), avg(r), sum(r * r) from (
                select compartment_type, filled_l / (listed_capacity_l * ?) as r from job
                where {_SEEN} and method = ? and listed_capacity_l > 0 and compartment_type is not null
                order by opened_utc desc limit ?)
            group by compartment_type""",
        [share, method, SHOP_JOBS],
    ).fetchall()
    return spread(method, [(n, mean, max(0.0, squares - n * mean * mean)) for n, mean, squares in rows])


def fills_of_type(ledger: Any, compartment_type: str, method: str) -> list[tuple[float, float]]:
    """The newest fills of a type whose level was seen: (filled, standard uncertainty) in litres."""
    rows = ledger.db.execute(
        f"""select filled_l, filled_u95_l / 2.0 from job where compartment_type = ? and method = ? and {_SEEN}
            order by opened_utc desc limit ?""",
        [compartment_type, method, TYPE_JOBS],
    )
    return [(row[0], row[1]) for row in rows]


def expected_fill(
    ledger: Any, compartment_type: str, listed_l: float, method: str, shop: Spread | None = None
) -> Expected:
    """Expected fill of a type of compartment from the listed capacity and the ledger."""
    fills = fills_of_type(ledger, compartment_type, method)
    if not fills:
        return learn(listed_l, method, [])
    return learn(listed_l, method, fills, shop_spread(ledger, method) if shop is None else shop)


def overview(
    ledger: Any, compartments: Iterable[Compartment], country: str | None = None
) -> list[dict[str, Any]]:
    """One row per compartment; ``COLUMNS``. country: "us" or "imperial" for a bare pint. Raises InputError for a
    capacity that is none."""
    shops: dict[str, Spread] = {}
    learned: dict[tuple[str, float, str], Expected] = {}
    rows = []
    for c in compartments:
        try:
            listed_l = parse_volume_l(c.capacity, country)
        except ValueError as error:
            raise InputError(f"{c.vehicle} / {c.compartment}: capacity: {error}") from error
        key = (type_of(c.vehicle, c.compartment, c.type), listed_l, c.method)
        if key not in learned:
            if c.method not in shops:
                shops[c.method] = shop_spread(ledger, c.method)
            learned[key] = expected_fill(ledger, *key, shops[c.method])
        head = {name: getattr(c, name) for name in ("vehicle", "compartment", "type", "capacity", "method")}
        rows.append({**head, **learned[key].to_dict()})
    return rows
