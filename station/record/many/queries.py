"""What is asked of many bays at once: typed rows out of PostgreSQL.

Shops are always named, so that an answer for some of them reads no other's rows; a period is whole months, of each shop's own
days. Every statement stands in ``STATEMENTS``, where a test holds its plan to an index.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from datetime import date, tzinfo
from functools import cached_property, partial
from typing import Any, TypeVar, cast

from psycopg import Cursor
from psycopg.rows import RowMaker, args_row, class_row

from station.common import days
from station.common.words import _
from station.errors import InputError
from station.record.many.adding import array
from station.record.many.derive import UL, USE
from station.record.many.ingest import Db

T = TypeVar("T")
MONTHS_MOST = 36


@dataclass(frozen=True)
class Scope:
    """Of whom, and when. shops: those whose figures may be seen. since, until: first days of months, the second not
    included. company_shops: so many the company has; 0 where that is not known."""

    company: str
    shops: tuple[str, ...]
    since: date
    until: date
    company_shops: int = 0

    def values(self) -> dict[str, Any]:
        """all_shops: whether these are all of the company's. Then none is looked for by its name: the planner would weigh each of a
        thousand names against each month's part of the table."""
        n = len(self.shops)
        named = {"shops": self._names, "all_shops": 0 < self.company_shops == n, "one_shop": n == 1}
        return {"company": self.company, "since": self.since, "until": self.until, **named}

    @cached_property
    def _names(self) -> str:
        """The shops as PostgreSQL writes an array, once for all that is asked about them: a thousand names took 1 ms each time."""
        return array(self.shops)

    def parts(self) -> dict[str, list[date]]:
        """The span as the fewest sums that are held: those of ``years`` and ``months`` added up, less those of ``less``, which are
        of these years. Months that have not begun hold next to nothing."""
        years, months, less = [], [], []
        this = days.now().date()
        for n in range(self.since.year, later(self.until, -1).year + 1):
            year = [date(n, month, 1) for month in range(1, 13)]
            of = [first for first in year if self.since <= first < self.until]
            rest = [first for first in year if first not in of]
            if 1 + sum(first <= this for first in rest) < sum(first <= this for first in of):
                years.append(year[0])
                less += rest
            else:
                months += of
        return {"years": years, "months": months, "less": less}

    def by_month(self) -> list["Scope"]:
        """The same of each month by itself."""
        found, since = [], self.since
        while since < self.until:
            found.append(replace(self, since=since, until=later(since, 1)))
            since = found[-1].until
        return found


def later(first: date, months: int) -> date:
    n = first.year * 12 + first.month - 1 + months
    return date(n // 12, n % 12 + 1, 1)


def scope_of(company: str, shops: Sequence[str], month: str, months: int, of: Sequence[str]) -> Scope:
    """What a question is about. shops: all that there are. month: "2026-03", or "" for the present one. months: so many, up to
    and with that one. of: some shops, or none for all. Raises InputError."""
    for shop in of:
        if shop not in shops:
            names = ", ".join(shops) or _("none yet")
            raise InputError(
                _("there is no shop {shop!r}; expected one of: {names}.").format(shop=shop[:40], names=names)
            )
    if not 1 <= months <= MONTHS_MOST:
        raise InputError(_("months is {n}; expected 1 to {most}.").format(n=months, most=MONTHS_MOST))
    try:
        last = date.fromisoformat(f"{month}-01") if month else days.now().date().replace(day=1)
    except ValueError:
        raise InputError(
            _("month is {text!r}; expected year and month, such as 2026-03.").format(text=month[:20])
        ) from None
    return Scope(company, tuple(of or shops), later(last, 1 - months), later(last, 1))


@dataclass(frozen=True)
class Use:
    """Where fluid went, in whole microlitres as they are added up; litres by the properties."""

    shop: str
    bay: str
    fluid: str
    day: date | None
    jobs: int
    drained_ul: int
    metered_ul: int
    filled_ul: int
    overflow_ul: int
    received_ul: int
    drawn_ul: int
    purge_ul: int
    waste_ul: int

    @property
    def out_l(self) -> float:
        """What left the containers."""
        return (self.metered_ul + self.drawn_ul + self.purge_ul + self.waste_ul) / UL

    @property
    def rest_l(self) -> float:
        """What left them and was put down as nothing."""
        return (self.metered_ul + self.drawn_ul - self.filled_ul - self.overflow_ul) / UL


@dataclass(frozen=True)
class HowMany:
    """What there is in some shops."""

    bays: int
    containers: int


@dataclass(frozen=True)
class JobLine:
    """A job of a list. day: of its shop. deviation_percent: of a closed and measured fill. proved_fill_l: what a level-proved
    fill says of its compartment, whatever its temperature was; its doubt is filled_u95_l. proved_by: "level seen" or "pan"."""

    shop: str
    bay: str
    seq: int
    day: date
    job_id: str
    opened_utc: str
    stage: str
    verdict: str
    vehicle: str | None
    compartment: str | None
    compartment_type: str | None
    technician: str | None
    meter: str | None
    fluid: str | None
    expected_fill_l: float | None
    expected_fill_u95_l: float | None
    filled_l: float | None
    filled_u95_l: float | None
    deviation_percent: float | None
    proved_fill_l: float | None
    proved_by: str | None


@dataclass(frozen=True)
class Told:
    """An entry of a job's record, its body the text that was hashed."""

    seq: int
    kind: str
    body: str
    utc: str
    clock_synced: bool


@dataclass(frozen=True)
class LetGo:
    """That a bay has let a job's raw samples go. rule: by which it did."""

    utc: str
    rule: str


_SUMS = ", ".join(f"sum({name})::bigint as {name}" for name in USE[1:])
_NAME = """(select name from fluid_name as n where company = %(company)s and n.fluid = every.fluid and shop = any(%(shops)s)
        order by name {} limit 1)"""
"""A fluid's first or last name: two steps in an index, however many bays have the fluid."""
JOB = ", ".join(JobLine.__dataclass_fields__)
OF = "shop in (select unnest(%(shops)s::text[]))"
"""As ``shop = any``, without an estimate for each name in turn: of a thousand shops that took longer than a short answer."""
HEAD = """left join head h on (h.shop, h.bay) = (case when b.begins is null then coalesce(b.from_shop, b.shop) else b.shop end,
    case when b.begins is null then coalesce(b.from_bay, b.bay) else b.bay end)"""
"""How far a bay's record is here: of one that moved, and of whose time here nothing has come yet, under its former name."""
HERE = "(b.gone_at is null or b.fault <> '')"
"""Of bays b, those that are in use, and retired ones that speak again."""
OF_SHOPS = "(%(one_shop)s and shop = (%(shops)s::text[])[1] or not %(one_shop)s and shop = any(%(shops)s))"
"""The same where rows are wanted in an index's order, in which those of one shop stand once it is asked for by itself. What does
not hold is gone before anything is planned."""
OF_COMPANY = f"company = %(company)s and (%(all_shops)s or {OF_SHOPS})"
"""The same where rows are found by their company: all of its shops are named by none (``Scope.values``)."""
IN = f"{OF_COMPANY} and month >= %(since)s and month < %(until)s"


def parts_of(table: str) -> str:
    """Lines of years and of months in place of a table, as ``Scope.parts`` has them, each with its sign."""
    return f"""(
        select 1 as sign, * from {table}_year where {OF_COMPANY} and year = any(%(years)s)
        union all select 1, * from {table}_month where {OF_COMPANY} and month = any(%(months)s)
        union all select -1, * from {table}_month where {OF_COMPANY} and month = any(%(less)s)) as part"""


_USED = ", ".join(f"sum(sign * {name})::bigint as {name}" for name in USE)
_LEFT = f"""having bool_and(sign > 0) or
        ({", ".join(f"sum(sign * {name})" for name in USE)}) <> ({", ".join("0" for _name in USE)})"""
"""What a year has in none of the months that are wanted of it has no line."""
STATEMENTS = {
    "lacking": """select b.shop, b.bay, b.since, b.refused, count(*) over () as bays from (
            select shop, bay, fault <> '' as refused, coalesce(case when fault <> '' then fault_since end, heard) as since from bay
            where shop = any(%(shops)s) and gone_at is null and heard is not null and (heard < %(silent)s or fault <> '')) as b
        join unnest(%(shops)s::text[], %(ends)s::timestamptz[]) as asked (shop, ends) on asked.shop = b.shop and b.since < asked.ends
        order by since, shop, bay limit %(few)s""",
    "use": f"""select shop, bay, fluid, null::date as day, {_USED} from {parts_of("use")}
        group by shop, bay, fluid {_LEFT} order by shop, bay, fluid""",
    "use by fluid": f"""select '' as shop, '' as bay, fluid, null::date as day, {_USED} from {parts_of("use")}
        group by fluid {_LEFT} order by fluid""",
    "use by day": f"""select shop, bay, fluid, day, sum(jobs)::bigint as jobs, {_SUMS} from use_day
        where company = %(company)s and shop = any(%(shops)s) and day >= %(since)s and day < %(until)s
        group by shop, bay, day, fluid order by day, shop, bay, fluid""",
    "how many": f"""select (select count(*) from bay where {OF})
            - (select count(*) from bay b where b.{OF} and b.gone_at is not null and not {HERE}) as bays,
        (select count(*) from container where {OF}) as containers""",
    "short": f"""select {JOB} from job where {IN} and verdict = 'short' and deviation_percent is not null
        order by deviation_percent limit %(most)s""",
    "over": f"""select {JOB} from job where {IN} and verdict = 'over' and deviation_percent is not null
        order by deviation_percent desc limit %(most)s""",
    "job": f"select {JOB} from job where shop = %(shop)s and bay = %(bay)s and job_id = %(job_id)s",
    "told": """select seq, kind, body, utc, clock_synced from event where shop = %(shop)s and bay = %(bay)s
            and job_id = %(job_id)s order by seq""",
    "fluids": f"""with recursive every as (
            select min(fluid) as fluid from fluid_name where company = %(company)s
            union all select (select min(fluid) from fluid_name where company = %(company)s and fluid > every.fluid)
                from every where fluid is not null)
        select fluid, name from (
            select fluid, {_NAME.format('')} as name, {_NAME.format('desc')} as last from every) as named where name = last""",
    "let go": """select utc, body::jsonb ->> 'rule' as rule from event where shop = %(shop)s and bay = %(bay)s
            and kind = 'samples_let_go' and body::jsonb -> 'jobs' ? %(job_id)s order by seq desc limit 1""",
    "shops": "select shop, time_zone from shop where company = %(company)s order by shop",
    "zones": "select shop, time_zone from shop where shop = any(%(shops)s)",
    "companies": "select distinct company from shop order by company",
}  # fmt: skip
CHART_MONTHS = 24
"""So far back the values of a chart may lie."""


def _by_place(kind: type[T], cursor: Cursor[Any]) -> RowMaker[T]:
    """Rows whose columns stand as the fields do are made by place: by name takes twice the time, of 1,600 values of a shop's
    meters a seventh of their page."""
    told = [column.name for column in cursor.description or ()]
    in_order = told == [field.name for field in fields(cast(Any, kind))][: len(told)]
    return (args_row if in_order else class_row)(kind)(cursor)


def ask(db: Db, statement: str, kind: type[T], **values: Any) -> list[T]:
    """Planned each time for the values that it is asked with: a plan for any of them, which the server takes up after
    some repetitions, took 1.7 s of processor time for a list of fifty of a million jobs, on average, against 10 ms."""
    with db.cursor(row_factory=partial(_by_place, kind)) as cursor:
        return cursor.execute(statement.encode(), values, prepare=False).fetchall()


def companies(db: Db) -> list[str]:
    return [row[0] for row in db.execute(STATEMENTS["companies"].encode())]


def shops(db: Db, company: str) -> dict[str, str]:
    """Shop → its time zone."""
    return dict(db.execute(STATEMENTS["shops"].encode(), {"company": company}).fetchall())


def zones(db: Db, scope: Scope) -> dict[str, tzinfo]:
    """Shop → its time zone, of those that are asked for."""
    rows = db.execute(STATEMENTS["zones"].encode(), scope.values()).fetchall()
    return {shop: days.zone_of(name) for shop, name in rows}


def fluids(db: Db, scope: Scope) -> dict[str, str]:
    """Fluid → its name, where all bays of these shops that have it call it the same."""
    return dict(db.execute(STATEMENTS["fluids"].encode(), scope.values()).fetchall())


def use(db: Db, scope: Scope) -> list[Use]:
    """Sums by shop, bay and fluid."""
    return ask(db, STATEMENTS["use"], Use, **scope.values(), **scope.parts())


def use_by_fluid(db: Db, scope: Scope) -> list[Use]:
    """Sums by fluid over all the shops asked for; of no one shop or bay."""
    return ask(db, STATEMENTS["use by fluid"], Use, **scope.values(), **scope.parts())


def use_by_day(db: Db, scope: Scope) -> list[Use]:
    """Sums by day, shop, bay and fluid."""
    return ask(db, STATEMENTS["use by day"], Use, **scope.values())


def how_many(db: Db, of: Sequence[str]) -> HowMany:
    """of: shops."""
    return ask(db, STATEMENTS["how many"], HowMany, shops=array(of))[0]


def off(db: Db, scope: Scope, verdict: str, most: int) -> list[JobLine]:
    """Short or over fills, the worst first. verdict: "short" or "over"."""
    return ask(db, STATEMENTS[verdict], JobLine, **scope.values(), most=most)


def job(db: Db, shop: str, bay: str, job_id: str) -> tuple[JobLine, Sequence[Told]] | None:
    """One job and every entry of its record; None where there is no such job."""
    found = ask(db, STATEMENTS["job"], JobLine, shop=shop, bay=bay, job_id=job_id)
    told = ask(db, STATEMENTS["told"], Told, shop=shop, bay=bay, job_id=job_id)
    return (found[0], told) if found else None


def let_go(db: Db, shop: str, bay: str, job_id: str) -> LetGo | None:
    """Whether the bay has let the job's raw samples go; None while it has them."""
    return next(iter(ask(db, STATEMENTS["let go"], LetGo, shop=shop, bay=bay, job_id=job_id)), None)
