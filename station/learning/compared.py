"""What is compared over many bays, and what may be said of it: one list of rows for the page, its files and the command."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, TypeVar

import numpy as np

from station.learning import fair
from station.learning.fair import Judged
from station.record.many import exporting, tallies
from station.record.many.exporting import Table
from station.record.many.ingest import Db
from station.record.many.queries import Scope
from station.record.many.tallies import Counts, MonthTally

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


Named = TypeVar("Named", str, tuple[str, str])
Columns = tuple[Sequence[Named], Sequence[int], Sequence[int]]
"""Names, and how many jobs and short ones each has."""
_NONE: Final = Counts("", (), (), (), ())


def summed(names: Sequence[str], of: Counts) -> Columns[str]:
    """Jobs and short ones by a name that several lines may have, as shops do."""
    jobs: defaultdict[str, int] = defaultdict(int)
    short: defaultdict[str, int] = defaultdict(int)
    for name, n, k in zip(names, of.jobs, of.short, strict=True):
        jobs[name] += n
        short[name] += k
    return list(jobs), list(jobs.values()), list(short.values())


def each(of: Counts) -> Columns[tuple[str, str]]:
    """The same by names that mean something in their shop alone."""
    return list(zip(of.shop, of.name, strict=True)), of.jobs, of.short


def _shares(comparison: str, counts: Columns[Named], most: int | None, of: str = "") -> Judged[Compared]:
    def told(s: fair.Share) -> Compared:
        limits = (100 * s.low, 100 * s.high, s.limit)
        return Compared(comparison, of, s.name, s.jobs, s.short, *limits, None, None, None, s.says)

    return fair.shares(*counts, most=most, called=called).told(told)


def called(one: str | tuple[str, str]) -> str:
    return one if isinstance(one, str) else " · ".join(one)


def _together(
    comparison: str, by: Mapping[str, Sequence[tuple[str, int, int]]], most: int | None
) -> Judged[Compared]:
    """Several comparisons of one kind, one behind the other."""
    of = [_shares(comparison, _columns(by[name]), most, name) for name in sorted(by)]
    out, rest = [c for one in of for c in one.out], [c for one in of for c in one.rest]
    return Judged(out, rest[:most], sum(one.like for one in of), sum(one.few for one in of))


def _columns(rows: Sequence[tuple[str, int, int]]) -> Columns[str]:
    names, jobs, short = zip(*rows, strict=True)
    return names, jobs, short


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
    for name, shop, n, k in zip(types.name, types.shop, types.jobs, types.short, strict=True):
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
    n = np.array(meters.measured, dtype=float)
    off, off2 = np.array(meters.ppm, dtype=float) / 1e4, np.array(meters.ppm2, dtype=float) / 1e8
    with np.errstate(divide="ignore", invalid="ignore"):  # of none there is no mean, of one no scatter
        means = off / n
        sds = np.sqrt(np.maximum(0.0, off2 - off * means) / (n - 1.0))
    names = list(zip(meters.shop, meters.name, strict=True))

    def told(m: fair.Mean) -> Compared:
        off = (m.mean_percent, m.difference_percent, m.u95_percent)
        return Compared(METERS, "", m.name, m.n, None, None, None, None, *off, m.says)

    return fair.means(names, meters.measured, means, sds, most=most, called=called).told(told)


def compare(db: Db, scope: Scope, most: int | None = None) -> dict[str, Judged[Compared]]:
    """All comparisons of a scope; a fluid's months are those of the chart's span up to its end."""
    return compared(tallies.counts(db, scope), tallies.by_month(db, scope, "fluid"), most)


def every(db: Db, scope: Scope) -> list[Compared]:
    """The same with all that is compared, as one list; what stands out is first of its kind."""
    return [one for judged in compare(db, scope).values() for one in judged.shown]


TABLES: Final[Mapping[str, Table]] = {
    **exporting.TABLES,
    "comparisons": Table(Compared, lambda db, scope, most: every(db, scope)),
}
"""Tables that go out as a file, those of the comparisons among them."""
