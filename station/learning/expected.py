"""Expected fill: the listed figure until the shop's own closed jobs know better.

Normal model with known variances (empirical Bayes). Types of compartment differ from what is listed for them by a
spread tau; jobs on one type differ among themselves by a repeatability s; every fill of one meter carries the same
calibration error u_common, which no number of jobs averages out. With n fills of mean m and the listed expectation p:

    v = s²/n + u_common²        weight = tau² / (tau² + v)
    value = p + weight · (m − p)        u_mean² = tau² · v / (tau² + v)

A listing is not always the compartment's: another variant's, another unit's, a slip of the pen. So the prior is a mixture of
a narrow distribution about what was listed and a broad one, and it breaks where the shop's fills contradict it, instead
of bending half way.

Only jobs whose level was proved at the plug count: the others were filled to the target, and would only repeat it. The lip
fixes a volume at the fill's temperature, so that volume is what is learned, or a season would get into it.

What the shop's other bays filled counts beside the bay's own (``station.learning.sisters``), each bay with its own m, n and
u_common: they are put together first, and then held against the listing by the same formula.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from calibration.budget import NORMAL_95, expanded
from station.common.units import parse_volume_l
from station.common.words import _, ngettext
from station.errors import InputError
from station.given.config import Compartment
from station.given.job import RETAINED_BY_METHOD, WIDEST_REL, expected_retained
from station.given.limits import LIMITS as GIVEN
from station.given.listing import rounding_l
from station.learning import sisters
from station.learning.sisters import TYPE_JOBS, Fills, OfTypes, summed, together
from station.record.ledger import type_of
from station.record.rows import PROVED

COLUMNS = (
    "vehicle compartment type capacity method listed_capacity_l expected_fill_l expected_fill_u95_l words n own_n weight"
).split()

P_LISTED_WRONG, WRONG_SPREAD = 0.04, 0.30
"""Prior probability that a listing is not this compartment's, and how far off it then is (common practice, no source)."""
PRIOR_JOBS = 5.0
"""How many jobs the method's own doubt (station.given.job.RETAINED_BY_METHOD) is worth, as scatter, against the shop's own."""
PRIOR_TYPES = 4.0
"""How many types the prior spread is worth against the shop's own."""
SHOP_JOBS = 5000
CONTRADICTION = 0.25
"""A type this far off its listed figure is a wrong entry, and says nothing about the spread of right ones."""

FAR_PERCENT = 100.0 * WIDEST_REL
"""No tolerance is wider: where fills are that far from what was listed, one of the two is wrong."""


def off_listing_percent(mean_l: float, listed_l: float, method: str) -> float:
    """How far fills came from what the listed capacity alone would have them be."""
    return 100.0 * (mean_l / (listed_l - expected_retained(method, listed_l)[0]) - 1.0)


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
    n, mean_l: of the shop's fills, in all its bays. prior_l: what the listed capacity alone would expect.
    bays: what they came to bay by bay, this one's first where it has some.
    p_listed_wrong: probability that the listing is not this compartment's, after the shop's fills were heard.
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
    p_listed_wrong: float = P_LISTED_WRONG
    bays: tuple[Fills, ...] = ()

    @property
    def own_n(self) -> int:
        """How many of the fills are this bay's own."""
        return sum(one.n for one in self.bays if not one.bay)

    @property
    def u95_l(self) -> float:
        return expanded(self.u_l)

    @property
    def against_listing(self) -> bool:
        """Whether the shop's own fills are believed and the listing is not."""
        return self.n > 0 and self.p_listed_wrong > 0.5

    @property
    def retained_l(self) -> float:
        """What the figure leaves of the listed capacity; negative where more goes in than is listed."""
        return self.listed_l - self.value_l

    def to_dict(self) -> dict[str, Any]:
        return {
            "expected_fill_l": self.value_l,
            "expected_fill_u95_l": self.u95_l,
            "mean_u95_l": expanded(self.u_mean_l),
            "listed_capacity_l": self.listed_l,
            "retained_l": self.retained_l,
            "n": self.n,
            "own_n": self.own_n,
            "bays": [{**one.to_dict(), "mean_u95_l": one.mean_u95_l} for one in self.bays],
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
    return Spread(math.hypot(u_retained_rel, GIVEN.u_level_rel), u_retained_rel)


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
    listed_l: float,
    method: str,
    fills: Sequence[tuple[float, float]],
    shop: Spread | None = None,
    u_rounding_l: float | None = None,
    elsewhere: Sequence[Fills] = (),
) -> Expected:
    """Expected fill of a type. fills: (filled, its standard uncertainty) in litres of its jobs whose level was proved.

    u_rounding_l: standard uncertainty of the listing's last digit (station.filling.expecting.rounding_l); one that is not
    known is that of a tenth of a litre. shop: ``spread`` of the shop's types; None where it has none. elsewhere: what the shop's
    other bays filled. A fill far from the others of its bay is left out and counted.
    Raises ValueError for a listed capacity of zero or less; KeyError for an unknown method.
    """
    if not (math.isfinite(listed_l) and listed_l > 0):
        raise ValueError(f"listed_l is {listed_l}, expected litres above zero")
    retained_l, u_retained_l = expected_retained(method, listed_l)
    prior_l = listed_l - retained_l
    shop = prior_spread(method) if shop is None else shop
    own = summed(fills, shop.repeatability_rel * prior_l)
    bays = (*elsewhere,) if own is None else (own, *elsewhere)
    u_rounding_l = 0.05 / math.sqrt(3.0) if u_rounding_l is None else u_rounding_l
    tau_l = math.hypot(shop.tau_rel * prior_l, u_rounding_l)
    if not bays:
        return Expected(
            prior_l, math.hypot(tau_l, u_retained_l), tau_l, 0, _("listed"), 0.0, listed_l, prior_l=prior_l
        )
    n, size_l = sum(one.n for one in bays), min(one.mean_l for one in bays)
    s_l = shop.repeatability_rel * min(prior_l, size_l)  # of the compartment, not of what was mistyped for it
    s2 = (PRIOR_JOBS * s_l**2 + sum(one.ss_l2 for one in bays)) / (PRIOR_JOBS + n - len(bays))
    mean_l, u_common = together(bays, s2)
    v = s2 / n + u_common**2
    wide_l = WRONG_SPREAD * prior_l
    near = shrink(prior_l, tau_l, mean_l, n, math.sqrt(s2), u_common)
    far = shrink(prior_l, wide_l, mean_l, n, math.sqrt(s2), u_common)
    logs = [
        math.log(p) - 0.5 * math.log(spread_l**2 + v) - 0.5 * (mean_l - prior_l) ** 2 / (spread_l**2 + v)
        for p, spread_l in ((1.0 - P_LISTED_WRONG, tau_l), (P_LISTED_WRONG, wide_l))
    ]
    p_wrong = 1.0 / (1.0 + math.exp(min(700.0, logs[0] - logs[1])))
    value_l = (1.0 - p_wrong) * near[0] + p_wrong * far[0]
    weight = (1.0 - p_wrong) * near[2] + p_wrong * far[2]
    u_mean_l = math.sqrt(
        sum(p * (u**2 + (at - value_l) ** 2) for p, (at, u, _) in ((1.0 - p_wrong, near), (p_wrong, far)))
    )
    return Expected(
        value_l,
        math.sqrt(u_mean_l**2 + s2),
        u_mean_l,
        n,
        _words(n, 0 if own is None else own.n, p_wrong > 0.5),
        weight,
        listed_l,
        mean_l,
        0 if own is None else own.left_out,
        prior_l,
        p_wrong,
        bays,
    )


def _words(n: int, own: int, against: bool) -> str:
    if own == n:
        words = ngettext("learned from {n} job", "learned from {n} jobs", n).format(n=n)
    elif own:
        words = _("learned from {n} jobs, {others} of them at other bays").format(n=n, others=n - own)
    else:
        words = _("learned from {n} jobs at other bays").format(n=n)
    return _("{learned}, against the listing").format(learned=words) if against else words


# --- from the ledger ---------------------------------------------------------------------------------------

_PROVED = f"{PROVED} and stage = 'closed' and filled_l is not null and filled_u95_l is not null"
_SIZE = "coalesce(proved_fill_l, filled_l)"
"""What a proved fill says of its compartment; rows from before that column have the fill itself."""


def shop_spread(ledger: Any, method: str) -> Spread:
    """Spread over the shop's newest jobs of one emptying method."""
    share = 1.0 - RETAINED_BY_METHOD[method][0]
    rows = ledger.db.execute(
        f"""select count(*), avg(r), sum(r * r) from (
                select compartment_type, {_SIZE} / (listed_capacity_l * ?) as r from job
                where {_PROVED} and method = ? and listed_capacity_l > 0 and compartment_type is not null
                order by rowid desc limit ?)
            group by compartment_type""",
        [share, method, SHOP_JOBS],
    ).fetchall()
    return spread(method, [(n, mean, max(0.0, squares - n * mean * mean)) for n, mean, squares in rows])


def fills_of_type(ledger: Any, compartment_type: str, method: str) -> list[tuple[float, float]]:
    """The newest fills of a type whose level was proved: (what the compartment takes, standard uncertainty) in litres."""
    rows = ledger.db.execute(
        f"""select {_SIZE}, filled_u95_l / {NORMAL_95} from job where compartment_type = ? and method = ? and {_PROVED}
            order by rowid desc limit ?""",
        [compartment_type, method, TYPE_JOBS],
    )
    return [(row[0], row[1]) for row in rows]


def expected_fill(
    ledger: Any,
    compartment_type: str,
    listed_l: float,
    method: str,
    shop: Spread | None = None,
    u_rounding_l: float | None = None,
    elsewhere: OfTypes | None = None,
) -> Expected:
    """Expected fill of a type of compartment from the listed capacity and the ledger; u_rounding_l as ``learn`` has it. shop,
    elsewhere: what the ledger says of all types, where that is known already."""
    elsewhere = sisters.read(ledger) if elsewhere is None else elsewhere
    fills = fills_of_type(ledger, compartment_type, method)
    told = elsewhere.get((compartment_type, method), ())
    if not fills and not told:
        return learn(listed_l, method, [], u_rounding_l=u_rounding_l)
    shop = shop_spread(ledger, method) if shop is None else shop
    return learn(listed_l, method, fills, shop, u_rounding_l, told)


def overview(
    ledger: Any, compartments: Iterable[Compartment], country: str | None = None
) -> list[dict[str, Any]]:
    """One row per compartment; ``COLUMNS``. country: "us" or "imperial" for a bare pint. Raises InputError for a
    capacity that is none."""
    shops: dict[str, Spread] = {}
    elsewhere = sisters.read(ledger)
    learned: dict[tuple[str, float, str], Expected] = {}
    rows = []
    for c in compartments:
        try:
            listed_l = parse_volume_l(c.capacity, country)
        except ValueError as error:
            raise InputError(
                _("{vehicle} / {compartment}: capacity: {error}").format(
                    vehicle=c.vehicle, compartment=c.compartment, error=error
                )
            ) from error
        key = (type_of(c.vehicle, c.compartment, c.type), listed_l, c.method)
        if key not in learned:
            if c.method not in shops:
                shops[c.method] = shop_spread(ledger, c.method)
            learned[key] = expected_fill(
                ledger, *key, shops[c.method], rounding_l(c.capacity, listed_l), elsewhere
            )
        head = {name: getattr(c, name) for name in ("vehicle", "compartment", "type", "capacity", "method")}
        rows.append({**head, **learned[key].to_dict()})
    return rows
