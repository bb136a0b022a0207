"""What is compared over many bays, and what may be said of it: one list of rows for the page, its files and the command."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from station.learning import fair
from station.record.many import exporting, queries
from station.record.many.exporting import Table
from station.record.many.ingest import Db
from station.record.many.queries import MonthTally, Scope, Tally

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


Counts = Iterable[tuple[str, int, int]]


def _shares(comparison: str, counts: Counts, of: str = "") -> list[Compared]:
    sums: dict[str, list[int]] = {}
    for name, jobs, short in counts:
        line = sums.setdefault(name, [0, 0])
        line[0] += jobs
        line[1] += short
    return [
        Compared(
            comparison,
            of,
            s.name,
            s.jobs,
            s.short,
            100 * s.low,
            100 * s.high,
            s.limit,
            None,
            None,
            None,
            s.says,
        )
        for s in fair.shares([(name, jobs, short) for name, (jobs, short) in sums.items()])
    ]


def compared(tallies: Mapping[str, Sequence[Tally]], months: Sequence[MonthTally]) -> list[Compared]:
    """Like with like: shops, bays, fluids and types of compartment among themselves, one type across shops, one fluid with its
    own other months, each meter with its sisters. tallies: by ``derive.DIMENSIONS``."""

    def counts(dimension: str, by_shop: bool = False) -> Counts:
        return ((f"{t.shop} · {t.name}" if by_shop else t.name, t.jobs, t.short) for t in tallies[dimension])

    found = _shares(SHOPS, ((t.shop, t.jobs, t.short) for t in tallies["bay"]))
    found += _shares(BAYS, counts("bay", by_shop=True))
    found += _shares(FLUIDS, counts("fluid")) + _shares(TYPES, counts("compartment type"))
    types = tallies["compartment type"]
    for of in dict.fromkeys(t.name for t in types):
        found += _shares(TYPE_BY_SHOP, ((t.shop, t.jobs, t.short) for t in types if t.name == of), of)
    for of in dict.fromkeys(t.name for t in months):
        found += _shares(
            FLUID_BY_MONTH, ((f"{t.month:%Y-%m}", t.jobs, t.short) for t in months if t.name == of), of
        )
    means = fair.means(
        [(f"{t.shop} · {t.name}", t.measured, t.mean_percent, t.sd_percent) for t in tallies["meter"]]
    )
    for m in sorted(means, key=lambda m: (m.says != "off its sisters", -m.n, m.name)):
        off = (m.mean_percent, m.difference_percent, m.u95_percent)
        found.append(Compared(METERS, "", m.name, m.n, None, None, None, None, *off, m.says))
    return found


def compare(db: Db, scope: Scope) -> list[Compared]:
    """All comparisons of a scope; a fluid's months are those of the chart's span up to its end."""
    names = ("bay", "fluid", "compartment type", "meter")
    tallies = {name: queries.tallies(db, scope, name) for name in names}
    return compared(tallies, queries.tallies_by_month(db, scope, "fluid"))


TABLES: Final[Mapping[str, Table]] = {
    **exporting.TABLES,
    "comparisons": Table(Compared, lambda db, scope, most: compare(db, scope)),
}
"""Tables that go out as a file, those of the comparisons among them."""
