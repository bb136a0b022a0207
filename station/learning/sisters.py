"""What level-proved fills of a type of compartment came to, bay by bay: a bay's own, and those of the shop's other bays as
the roll-up tells them.

A bay is told of its sisters alone, never of what it filled itself: its own fills are in its own record, and so none counts
twice. What the sisters say lies in the bay's record too, version by version; the newest word of each stands.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from statistics import median
from typing import Any, Final

from calibration.budget import expanded
from station.common.words import _
from station.errors import InputError
from station.record.versions import At

EVENT = "sister_fills"
TYPE_JOBS = 200
"""So many of a type's newest fills at one bay count."""


@dataclass(frozen=True)
class Fills:
    """Fills of one type of compartment at one bay, litres at the jobs' reference temperature. bay: "" for the own one.
    ss_l2: their squares about their mean, litres². u_l: the standard uncertainty that they share, of their meter. left_out: as
    far from the others as nothing but a mistake is. since_utc, until_utc: when the oldest and the newest were opened."""

    n: int
    mean_l: float
    ss_l2: float
    u_l: float
    left_out: int = 0
    bay: str = ""
    compartment_type: str = ""
    method: str = ""
    since_utc: str = ""
    until_utc: str = ""

    def to_dict(self) -> dict[str, Any]:
        return asdict(self)

    @property
    def mean_u95_l(self) -> float:
        """U95 of the mean, by these fills alone."""
        scatter2_l2 = self.ss_l2 / (self.n - 1) if self.n > 1 else 0.0
        return expanded(math.sqrt(scatter2_l2 / max(1, self.n) + self.u_l**2))


def without_strays(fills: Sequence[tuple[float, float]], s_l: float) -> list[tuple[float, float]]:
    """Fills, each with its standard uncertainty, within five robust standard deviations of their median; with fewer than three
    all count."""
    if len(fills) < 3:
        return list(fills)
    middle = median(x for x, _u in fills)
    scale = max(1.4826 * median(abs(x - middle) for x, _u in fills), s_l)
    return [(x, u) for x, u in fills if abs(x - middle) <= 5.0 * scale]


def summed(fills: Sequence[tuple[float, float]], s_l: float, **named: str) -> Fills | None:
    """Fills of one bay, each with its standard uncertainty; None for none. s_l: what jobs of one type are expected to scatter by
    at least. named: bay, type, method and times, as ``Fills`` has them."""
    kept = without_strays(fills, s_l)
    if not kept:
        return None
    mean_l = sum(x for x, _u in kept) / len(kept)
    ss_l2 = sum((x - mean_l) ** 2 for x, _u in kept)
    return Fills(len(kept), mean_l, ss_l2, median(u for _x, u in kept), len(fills) - len(kept), **named)


def together(groups: Sequence[Fills], s2_l2: float) -> tuple[float, float]:
    """(mean, u_common) in litres of several bays' fills, as if one meter had done them all: with n fills in all, their mean has
    the variance s²/n + u_common². s2_l2: variance between jobs of one type.

    Each bay weighs by the inverse of its own variance, s²/nᵢ + uᵢ². Bays that contradict each other are doubted together:
    the variance grows by the Birge ratio, χ² over its degrees of freedom (R. T. Birge, Phys. Rev. 40, 207, 1932; from memory).
    It never falls below the best meter's own: meters of one shop are proved against the same reference, whose error no
    number of bays averages out (common practice, no source).
    """
    first = groups[0]
    if len(groups) == 1:
        return first.mean_l, first.u_l
    variances = [s2_l2 / one.n + max(one.u_l, 1e-9) ** 2 for one in groups]
    weights = [1.0 / v for v in variances]
    mean_l = sum(w * one.mean_l for w, one in zip(weights, groups, strict=True)) / sum(weights)
    chi2 = sum(w * (one.mean_l - mean_l) ** 2 for w, one in zip(weights, groups, strict=True))
    birge = max(1.0, chi2 / (len(groups) - 1))
    n = sum(one.n for one in groups)
    v = birge / sum(weights)
    return mean_l, max(math.sqrt(max(0.0, v - s2_l2 / n)), min(one.u_l for one in groups))


NAMES: Final = tuple(field.name for field in fields(Fills))

# --- told by the roll-up, kept in the bay's record -------------------------------------------------------------


@dataclass(frozen=True)
class Told:
    """What changed at the sisters at a time. version: of the shop's lines, each time a higher one of its series."""

    version: int
    utc: str
    fills: tuple[Fills, ...]
    series: str = ""

    def body(self) -> dict[str, Any]:
        """The event in a bay's record."""
        fills = [one.to_dict() for one in self.fills]
        return {"version": self.version, "series": self.series, "utc": self.utc, "fills": fills}


_TEXTS = ("bay", "compartment_type", "method", "since_utc", "until_utc")


def told_of(said: Mapping[str, Any]) -> Told:
    """A change as the roll-up sends it. Raises InputError where it is none."""
    try:
        return Told(
            int(said["version"]),
            str(said["utc"]),
            tuple(_fills(one) for one in said["fills"]),
            str(said.get("series", "")),
        )
    except (KeyError, TypeError, ValueError, OverflowError) as error:
        raise InputError(
            _("what the roll-up sent is nothing of other bays' fills ({error}).").format(
                error=str(error)[:200]
            )
        ) from None


def _fills(said: Mapping[str, Any]) -> Fills:
    known: dict[str, Any] = {name: int(said[name]) for name in ("n", "left_out")}
    known |= {name: float(said[name]) for name in ("mean_l", "ss_l2", "u_l")}
    if not all(math.isfinite(x) and x >= 0 for x in known.values()):
        raise ValueError(f"a line of {known}")
    return Fills(**known | {name: str(said[name]) for name in _TEXTS})


OfTypes = Mapping[tuple[str, str], Sequence[Fills]]
"""(type of compartment, method) → what each sister filled."""


def read(ledger: Any) -> dict[tuple[str, str], list[Fills]]:
    """What stands in a bay's record of its sisters: the newest word of each. A newer station that was updated back may have
    written more of one than is known here. Of another series than before nothing that stood stands any more: the sisters are others,
    or are told of anew."""
    newest: dict[tuple[str, str, str], Fills] = {}
    here = At()
    for event in ledger.shop_events(EVENT):
        before, here = here, at(event["body"])
        if not before.behind(here):
            newest.clear()
        for said in event["body"]["fills"]:
            one = Fills(**{name: said[name] for name in NAMES if name in said})
            newest[one.compartment_type, one.method, one.bay] = one
    found: dict[tuple[str, str], list[Fills]] = {}
    for (kind, method, _bay), one in sorted(newest.items()):
        if one.n:
            found.setdefault((kind, method), []).append(one)
    return found


def at(body: Mapping[str, Any]) -> At:
    return At(int(body["version"]), body.get("series", ""))


def newest(ledger: Any) -> At:
    """How far the bay is."""
    found = next(ledger.shop_events(EVENT, newest_first=True), None)
    return At() if found is None else at(found["body"])
