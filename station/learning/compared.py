"""What is compared over many bays, and what may be said of it: one list of rows for the page, its files and the command."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from station.learning import fair
from station.record.many import exporting, queries
from station.record.many.exporting import Table
from station.record.many.ingest import Db
from station.record.many.queries import Count, MonthTally, Scope

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


def _shares(
    comparison: str, counts: _Counted, of: str = "", most: int | None = None
) -> fair.Judged[Compared]:
    sums: dict[str, list[int]] = {}
    for name, jobs, short in counts:
        line = sums.setdefault(name, [0, 0])
        line[0] += jobs
        line[1] += short
    found = fair.shares(((name, jobs, short) for name, (jobs, short) in sums.items()), most)

    def told(s: fair.Share) -> Compared:
        limits = (100 * s.low, 100 * s.high, s.limit)
        return Compared(comparison, of, s.name, s.jobs, s.short, *limits, None, None, None, s.says)

    return found.told(told)


def _together(each: Iterable[fair.Judged[Compared]], most: int | None) -> fair.Judged[Compared]:
    """Several comparisons of one kind, one behind the other."""
    of = list(each)
    out, rest = [c for one in of for c in one.out], [c for one in of for c in one.rest]
    return fair.Judged(out, rest[:most], sum(one.like for one in of), sum(one.few for one in of))


def compared(
    counts: Sequence[Count], months: Sequence[MonthTally], most: int | None = None
) -> dict[str, fair.Judged[Compared]]:
    """Like with like: shops, bays, fluids and types of compartment among themselves, one type across shops, one fluid with its
    own other months, each meter with its sisters. most: so many of each comparison are wanted of those that do not stand out, None
    for all; of a fluid's months there are few."""
    by: dict[str, list[Count]] = {}
    for one in counts:
        by.setdefault(one.dimension, []).append(one)
    bays, fluids, types, meters = (by.get(name, ()) for name in ("bay", "fluid", "compartment type", "meter"))
    of_type: dict[str, list[tuple[str, int, int]]] = {}
    for t in types:
        of_type.setdefault(t.name, []).append((t.shop, t.jobs, t.short))
    of_fluid: dict[str, list[tuple[str, int, int]]] = {}
    for m in months:
        of_fluid.setdefault(m.name, []).append((f"{m.month:%Y-%m}", m.jobs, m.short))
    return {
        SHOPS: _shares(SHOPS, ((t.shop, t.jobs, t.short) for t in bays), most=most),
        BAYS: _shares(BAYS, ((f"{t.shop} · {t.name}", t.jobs, t.short) for t in bays), most=most),
        FLUIDS: _shares(FLUIDS, ((t.name, t.jobs, t.short) for t in fluids), most=most),
        TYPES: _shares(TYPES, ((t.name, t.jobs, t.short) for t in types), most=most),
        TYPE_BY_SHOP: _together(
            (_shares(TYPE_BY_SHOP, of_type[of], of, most) for of in sorted(of_type)), most
        ),
        FLUID_BY_MONTH: _together(
            (_shares(FLUID_BY_MONTH, of_fluid[of], of) for of in sorted(of_fluid)), None
        ),
        METERS: _means(meters, most),
    }


def _means(meters: Sequence[Count], most: int | None) -> fair.Judged[Compared]:
    found = fair.means([(f"{t.shop} · {t.name}", t.measured, *_mean_and_sd(t)) for t in meters], most)

    def told(m: fair.Mean) -> Compared:
        off = (m.mean_percent, m.difference_percent, m.u95_percent)
        return Compared(METERS, "", m.name, m.n, None, None, None, None, *off, m.says)

    return found.told(told)


def _mean_and_sd(t: Count) -> tuple[float | None, float | None]:
    if t.measured < 2:
        return (t.off if t.measured else None), None
    return t.off / t.measured, math.sqrt(max(0.0, t.off2 - t.off**2 / t.measured) / (t.measured - 1))


def compare(db: Db, scope: Scope, most: int | None = None) -> dict[str, fair.Judged[Compared]]:
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
