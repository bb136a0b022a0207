"""What is compared over many bays, and what may be said of it: one list of rows for the page, its files and the command."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from station.learning import fair
from station.learning.fair import Judged
from station.record.many import exporting, queries
from station.record.many.exporting import Table
from station.record.many.ingest import Db
from station.record.many.queries import Counts, MonthTally, Scope

SHOPS, BAYS, FLUIDS, TYPES, TYPE_BY_SHOP, FLUID_BY_MONTH, METERS = (
    "shops",
    "bays",
    "fluids",
    "compartment types",
    "a compartment type across shops",
    "a fluid month by month",
    "meters",
)


@dataclass(frozen=True)
class Compared:
    """One of those compared. comparison: among which. of: the one type or fluid that is compared across shops or months, ""
    elsewhere. n: closed jobs, of meters borne-out fills. short: came up short; low_percent, high_percent: 95 % limits of their
    share; limit: so many would be more than chance explains, None where no number would. mean_percent: of a meter;
    difference_percent, difference_u95_percent: against its sisters."""

    comparison: str
    of: str
    name: str
    n: int
    short: int | None
    low_percent: float | None
    high_percent: float | None
    limit: int | None
    mean_percent: float | None
    difference_percent: float | None
    difference_u95_percent: float | None
    says: str


_Counted = Iterable[tuple[str, int, int]]
_OfShop = Iterable[tuple[tuple[str, str], int, int]]
_NONE: Final = Counts("", (), (), (), ())


def summed(names: Sequence[str], of: Counts) -> list[tuple[str, int, int]]:
    """Jobs and short ones by a name that several lines may have, as shops do."""
    jobs: defaultdict[str, int] = defaultdict(int)
    short: defaultdict[str, int] = defaultdict(int)
    for name, n, k in zip(names, of.jobs, of.short, strict=True):
        jobs[name] += n
        short[name] += k
    return [(name, n, short[name]) for name, n in jobs.items()]


def each(of: Counts) -> _OfShop:
    """The same by names that mean something in their shop alone."""
    return zip(zip(of.shop, of.name, strict=True), of.jobs, of.short, strict=True)


def _shares(comparison: str, counts: _Counted | _OfShop, most: int | None, of: str = "") -> Judged[Compared]:
    def told(s: fair.Share) -> Compared:
        limits = (100 * s.low, 100 * s.high, s.limit)
        return Compared(comparison, of, s.name, s.jobs, s.short, *limits, None, None, None, s.says)

    return fair.shares(counts, most, lambda one: one if isinstance(one, str) else " · ".join(one)).told(told)


def _together(comparison: str, by: Mapping[str, _Counted], most: int | None) -> Judged[Compared]:
    """Several comparisons of one kind, one behind the other."""
    of = [_shares(comparison, by[name], most, name) for name in sorted(by)]
    out, rest = [c for one in of for c in one.out], [c for one in of for c in one.rest]
    return Judged(out, rest[:most], sum(one.like for one in of), sum(one.few for one in of))


def compared(
    counts: Sequence[Counts], months: Sequence[MonthTally], most: int | None = None
) -> dict[str, Judged[Compared]]:
    """Like with like: shops, bays, fluids and types of compartment among themselves, one type across shops, one fluid with its
    own other months, each meter with its sisters. most: so many of each comparison are wanted of those that do not stand out, None
    for all; of a fluid's months there are few."""
    by = {one.dimension: one for one in counts}
    bays, fluids, types, meters = (
        by.get(name, _NONE) for name in ("bay", "fluid", "compartment type", "meter")
    )
    of_type: dict[str, list[tuple[str, int, int]]] = {}
    for (shop, name), n, k in each(types):
        of_type.setdefault(name, []).append((shop, n, k))
    of_fluid: dict[str, list[tuple[str, int, int]]] = {}
    for m in months:
        of_fluid.setdefault(m.name, []).append((f"{m.month:%Y-%m}", m.jobs, m.short))
    return {
        SHOPS: _shares(SHOPS, summed(bays.shop, bays), most),
        BAYS: _shares(BAYS, each(bays), most),
        FLUIDS: _shares(FLUIDS, summed(fluids.name, fluids), most),
        TYPES: _shares(TYPES, summed(types.name, types), most),
        TYPE_BY_SHOP: _together(TYPE_BY_SHOP, of_type, most),
        FLUID_BY_MONTH: _together(FLUID_BY_MONTH, of_fluid, None),
        METERS: _means(meters, most),
    }


def _means(meters: Counts, most: int | None) -> Judged[Compared]:
    named = [f"{shop} · {name}" for shop, name in zip(meters.shop, meters.name, strict=True)]
    n, off, off2 = (np.array(of, dtype=float) for of in (meters.measured, meters.off, meters.off2))
    some, two = np.maximum(n, 1.0), np.maximum(n - 1.0, 1.0)
    sd = np.sqrt(np.maximum(0.0, off2 - off**2 / some) / two)
    means = [m if k else None for k, m in zip(meters.measured, (off / some).tolist(), strict=True)]
    sds = [s if k > 1 else None for k, s in zip(meters.measured, sd.tolist(), strict=True)]
    rows = list(zip(named, meters.measured, means, sds, strict=True))

    def told(m: fair.Mean) -> Compared:
        off = (m.mean_percent, m.difference_percent, m.u95_percent)
        return Compared(METERS, "", m.name, m.n, None, None, None, None, *off, m.says)

    return fair.means(rows, most).told(told)


def compare(db: Db, scope: Scope, most: int | None = None) -> dict[str, Judged[Compared]]:
    """All comparisons of a scope; a fluid's months are those of the chart's span up to its end."""
    return compared(queries.counts(db, scope), queries.tallies_by_month(db, scope, "fluid"), most)


def every(db: Db, scope: Scope) -> list[Compared]:
    """The same with all that is compared, as one list; what stands out is first of its kind."""
    return [one for judged in compare(db, scope).values() for one in judged.shown]


TABLES: Final[Mapping[str, Table]] = {
    **exporting.TABLES,
    "comparisons": Table(Compared, lambda db, scope, most: every(db, scope)),
}
"""Tables that go out as a file, those of the comparisons among them."""
