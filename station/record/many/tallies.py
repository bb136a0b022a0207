"""What closed jobs share over many bays: sums by bay, meter, technician, fluid and type of compartment."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

from station.record.many.ingest import Db
from station.record.many.queries import CHART_MONTHS, IN, OF_COMPANY, Scope, ask, later, parts_of


@dataclass(frozen=True)
class Tally:
    """Closed jobs that share a name. measured: fills that something else than the meter bore out; mean and scatter of their
    deviation in percent, None where there are too few for one."""

    shop: str
    dimension: str
    name: str
    jobs: int
    short: int
    over: int
    undecided: int
    measured: int
    mean_percent: float | None
    sd_percent: float | None


@dataclass(frozen=True)
class Counts:
    """Closed jobs by the names that they share of a dimension, a column for each figure: a company has very many names, and few of
    them are shown. measured: of meters, fills that were borne out; ppm, ppm2: sums of their deviations and of the squares, in parts
    per million; empty of anything else."""

    dimension: str
    shop: Sequence[str]
    name: Sequence[str]
    jobs: Sequence[int]
    short: Sequence[int]
    measured: Sequence[int] = ()
    ppm: Sequence[int] = ()
    ppm2: Sequence[float] = ()


@dataclass(frozen=True)
class MonthTally:
    """Closed jobs of one month that share a name, over all the shops asked for."""

    month: date
    name: str
    jobs: int
    short: int


def _counts(lines: str) -> str:
    """lines: one of each name in its shop."""
    return f"""select dimension, array_agg(shop) as shop, array_agg(name) as name, array_agg(jobs) as jobs, array_agg(short) as short,
            coalesce(array_agg(measured) filter (where dimension = 'meter'), '{{}}') as measured,
            coalesce(array_agg(ppm) filter (where dimension = 'meter'), '{{}}') as ppm,
            coalesce(array_agg(ppm2::float8) filter (where dimension = 'meter'), '{{}}') as ppm2
        from ({lines}) as of group by dimension"""


_ADDED: Final = f"""select dimension, shop, name, sum(sign * jobs)::bigint as jobs, sum(sign * short)::bigint as short,
        sum(sign * measured) filter (where dimension = 'meter')::bigint as measured,
        sum(sign * deviation_ppm) filter (where dimension = 'meter')::bigint as ppm,
        sum(sign * deviation_ppm2::float8) filter (where dimension = 'meter') as ppm2
    from {parts_of("tally")} group by dimension, shop, name having sum(sign * jobs) > 0"""
_ALONE: Final = """select dimension, shop, name, jobs, short, measured, deviation_ppm as ppm, deviation_ppm2 as ppm2
    from tally_{at} where {of_company} and {at} = any(%({at}s)s)"""
STATEMENTS: Final = {
    "tally": f"""select shop, dimension, name, sum(jobs)::bigint as jobs, sum(short)::bigint as short,
            sum(over)::bigint as over, sum(undecided)::bigint as undecided, sum(measured)::bigint as measured,
            (sum(deviation_ppm) / nullif(sum(measured), 0) / 10000.0)::float8 as mean_percent,
            (sqrt(greatest(0, sum(deviation_ppm2) - sum(deviation_ppm)::numeric ^ 2 / nullif(sum(measured), 0))
                / nullif(sum(measured) - 1, 0)) / 10000.0)::float8 as sd_percent
        from tally_month where {IN} and dimension = %(dimension)s group by shop, dimension, name
        order by shop, sum(jobs) desc, name""",
    "tally by month": f"""select month, name, sum(jobs)::bigint as jobs, sum(short)::bigint as short from tally_month
        where {OF_COMPANY} and month >= %(begin)s and month < %(until)s
            and dimension = %(dimension)s group by name, month order by name, month""",
    "counts": _counts(_ADDED),
    **{f"counts of a {at}": _counts(_ALONE.format(at=at, of_company=OF_COMPANY)) for at in ("month", "year")},
}  # fmt: skip


def tallies(db: Db, scope: Scope, dimension: str) -> list[Tally]:
    """Closed jobs by what they share, in each shop. dimension: one of ``derive.DIMENSIONS``."""
    return ask(db, STATEMENTS["tally"], Tally, **scope.values(), dimension=dimension)


def counts(db: Db, scope: Scope) -> list[Counts]:
    """Closed jobs by everything that they share, in each shop."""
    parts = scope.parts()
    name = "counts of a year" if parts["years"] else "counts of a month"
    if (
        sum(map(len, parts.values())) > 1
    ):  # there are several lines of a name: adding up costs more than reading
        name = "counts"
    return ask(db, STATEMENTS[name], Counts, **scope.values(), **parts)


def by_month(db: Db, scope: Scope, dimension: str) -> list[MonthTally]:
    """Closed jobs by what they share and by month, over the span of a chart up to the scope's end."""
    values = {**scope.values(), "begin": later(scope.until, -CHART_MONTHS)}
    return ask(db, STATEMENTS["tally by month"], MonthTally, **values, dimension=dimension)
