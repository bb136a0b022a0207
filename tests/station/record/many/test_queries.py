"""What is asked of many bays is what each bay says of itself, added up; and no question reads a table from end to end."""

import json
import random
from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import psycopg
import pytest

from station.common import days
from station.errors import InputError
from station.learning import quality, teaching
from station.record import outbox
from station.record.finding import Wanted, words_of
from station.record.ledger import Ledger, Moment, now
from station.record.many import certified, compartments, counts, finding, leaving, measured, queries, tallies
from station.record.many.derive import UL, USE
from station.record.many.embedded import Embedded
from station.record.many.finding import After
from station.record.many.queries import JobLine, Scope
from station.record.many.store import STATEMENTS, Store
from station.shop import audit, catalogue, costs, counted, stock, technicians
from station.shop.catalogue import Change
from station.shop.movement import Movement
from tests.rolled import COMPANY, ZONE, enter, fresh, give, known, record, row, whole

MARCH = Scope(COMPANY, ("harbour",), date(2026, 3, 1), date(2026, 4, 1))
YEAR = Scope(COMPANY, ("harbour",), date(2026, 1, 1), date(2027, 1, 1))
BOTH = Scope(COMPANY, ("harbour", "quay"), date(2026, 1, 1), date(2027, 1, 1))
LATER = Moment("boot", 99.0, "2026-04-20T08:00:00.000+00:00", True)


@pytest.fixture
def bay(tmp_path: Path) -> Iterator[Ledger]:
    ledger = record(tmp_path / "bay.sqlite", 90, notes=1)
    yield ledger
    ledger.close()


@pytest.fixture
def rolled(store: Store, bay: Ledger, tmp_path: Path) -> Store:
    """One bay at the harbour, and two at the quay."""
    give(store, known(store), outbox.batch(Path(bay.path), 0, 10_000))
    for n in (2, 3):
        with closing(record(tmp_path / f"{n}.sqlite", 20, seed=n, bay=f"Bay {n}")):
            give(store, known(store, f"bay-{n}", "quay"), outbox.batch(tmp_path / f"{n}.sqlite", 0, 10_000))
    return store


@pytest.mark.parametrize(
    "columns", ["'quay' as shop, 31.5 as value", "31.5 as value, 'quay' as shop", "'quay' as shop"]
)
def test_rows_are_what_their_columns_are_called_in_whatever_order(store: Store, columns: str) -> None:
    @dataclass(frozen=True)
    class Told:
        shop: str
        value: float = 0.0

    with store.connection() as db:
        assert queries.ask(db, f"select {columns}", Told) == [
            Told("quay", 31.5 if "31.5" in columns else 0.0)
        ]


def test_a_months_use_is_the_bays_own_audit(rolled: Store, bay: Ledger) -> None:
    for kind, volume_l, utc in (
        ("received", 60.0, "2026-03-31T22:30:00.000+00:00"),  # in Oslo April has begun
        ("received", 20.0, "2026-03-31T21:30:00.000+00:00"),
        ("waste", 5.0, "2026-03-09T09:00:00.000+00:00"),
    ):
        bay.append(None, "movement", Movement(kind, "ATF", volume_l, 0.1, "drum 1", utc=utc).to_dict(), now())
    give(rolled, known(rolled), outbox.batch(Path(bay.path), 0, 10_000))
    books = audit.audit(bay, "2026-03-01", "2026-04-01", zone=ZoneInfo(ZONE))
    with rolled.connection() as db:
        lines, by_day = queries.use(db, MARCH), queries.use_by_day(db, MARCH)
        of_fluids = queries.use_by_fluid(db, MARCH)
    assert books.total.jobs > 20
    assert books.total.received_l >= 20.0
    for found in (lines, by_day, of_fluids):
        assert sum(line.jobs for line in found) == books.total.jobs
        assert sum(line.out_l for line in found) == pytest.approx(books.total.out_l, abs=1e-4)
        assert sum(line.rest_l for line in found) == pytest.approx(books.total.rest_l, abs=1e-4)
        for name in ("received", "waste"):
            total_l = sum(getattr(line, f"{name}_ul") for line in found) / UL
            assert total_l == pytest.approx(getattr(books.total, f"{name}_l"), abs=1e-4), name
    days = {line.group: line.jobs for line in books.by["day"] if line.jobs}
    assert {f"{line.day}" for line in by_day if line.jobs} == set(days)
    fluids = {line.group: line.filled_l for line in books.by["fluid"]}
    assert {line.fluid: line.filled_ul / 1e6 for line in lines} == pytest.approx(fluids, abs=1e-4)


def test_what_left_costs_what_the_bay_itself_says(store: Store, bay: Ledger) -> None:
    """A price that changes at a month's beginning and within one, for whole days; by technician, too."""
    for kind, volume_l in (("received", 400.0), ("counted", 1.0)):
        bay.append(None, "movement", Movement(kind, "ATF", volume_l, 0.1, "drum 1").to_dict(), LATER)
    give(store, known(store), outbox.batch(Path(bay.path), 0, 10_000))

    def price(fluid: str, amount: str, currency: str = "EUR") -> Change:
        return Change("price", (fluid,), "add", {"amount": amount, "per": "1 L", "currency": currency})

    said = {
        "2026-01-01T12:00:00+01:00": [price("gear oil 75W-90", "9.50")],
        "2026-02-01T12:00:00+01:00": [price("ATF", "8.25")],  # before it, ATF has no price
        "2026-03-10T12:00:00+01:00": [price("gear oil 75W-90", "11")],
    }
    with store.connection() as db:
        for version, (at, changes) in enumerate(said.items(), 1):
            utc = datetime.fromisoformat(at).astimezone(UTC).isoformat(timespec="milliseconds")
            told = json.dumps([one.to_dict() for one in changes])
            values = [COMPANY, version, utc, told]
            db.execute("insert into issue values (%s, 'harbour', %s, %s, '', '', %s)", values)
        lists = costs.lists_of(db, ("harbour", "quay"))
        for scope in (MARCH, YEAR):
            since, until = f"{scope.since}", f"{scope.until}"
            own = audit.audit(bay, since, until, lists["harbour"], zone=ZoneInfo(ZONE))
            lines = queries.use(db, scope)
            found = costs.total(costs.costs(db, scope, lines, lists))
            assert own.total.cost is not None
            assert found.cost == pytest.approx(own.total.cost, abs=1e-3)
            assert found.currency == "EUR"
            assert found.unpriced_l == pytest.approx(own.total.unpriced_l, abs=1e-3)
            assert (own.total.unpriced_l > 1.0) == (scope is YEAR)
            took = technicians.technicians(db, scope)
            assert len(took) == len(own.by["technician"]) > 1
            for line in own.by["technician"]:
                [one] = [one for one in took if (one.technician or "") == line.group]
                names = "jobs abandoned metered_l filled_l overflow_l purge_l waste_l drawn_l out_l cost unpriced_l rest_l"
                assert {name: getattr(one, name) for name in names.split()} == {
                    name: pytest.approx(getattr(line, name), abs=1e-3) for name in names.split()
                }, line.group
            gone = counted.missing_of(counted.first_and_last(db, scope, lists))
            assert gone.cost == pytest.approx(own.missing.cost)
            assert gone.currency == own.missing.currency
        assert own.missing.cost is not None
        later = json.dumps([price("ATF", "8", "NOK").to_dict()])
        db.execute("insert into issue values (%s, 'harbour', 9, '2026-06-01', '', '', %s)", [COMPANY, later])
        lists = costs.lists_of(db, ("harbour",))
        assert costs.total(costs.costs(db, YEAR, lines, lists)).cost is not None, (
            "nothing left in that currency"
        )
        none = costs.total(costs.costs(db, YEAR, lines, {}))
        assert (none.cost, none.mixed) == (None, False)
        assert none.unpriced_l == pytest.approx(sum(line.out_l for line in lines))


def test_stock_is_what_the_bay_says_itself(store: Store, bay: Ledger) -> None:
    """Its last count and a delivery before that were dated back, and entered after what came later; one older count, too."""
    for kind, volume_l, utc in (
        ("counted", 90.0, "2026-04-12T09:00:00.000+00:00"),
        ("received", 20.0, "2026-03-20T09:00:00.000+00:00"),
        ("waste", 0.5, None),
        ("counted", 4.0, "2026-02-01T09:00:00.000+00:00"),
    ):
        bay.append(None, "movement", Movement(kind, "ATF", volume_l, 0.1, "drum 1", utc=utc).to_dict(), LATER)
    fields = {"fluid": "ATF", "size": "208 L"}
    bay.append(
        None,
        catalogue.EVENT,
        catalogue.body([Change("container", ("drum 1",), "add", fields)], "test"),
        now(),
    )
    [own] = stock.contents(bay, catalogue.read(bay))
    give(store, known(store), outbox.batch(Path(bay.path), 0, 10_000))
    with store.connection() as db:
        [held] = counts.stock(db, YEAR, 1)
        assert counts.stock(db, YEAR, 0) == []
    assert own.counted_utc == "2026-04-12T09:00:00.000+00:00"
    assert (held.container, held.counted_utc) == (own.container, own.counted_utc)
    assert held.content_l == pytest.approx(own.content_l, abs=1e-9)
    assert held.u95_l == pytest.approx(own.u95_l, abs=1e-9)


def test_what_the_counts_find_missing_is_what_the_bay_says_itself(store: Store, bay: Ledger) -> None:
    """Counts come every fortnight or so; one more is dated back behind the jobs of a week."""
    late = Movement("counted", "ATF", 0.4, 0.1, "drum 1", utc="2026-03-14T09:00:00.000+00:00")
    bay.append(None, "movement", late.to_dict(), now())
    bay.append(None, "movement", Movement("received", "ATF", 20.0, 0.1, "drum 1").to_dict(), now())
    since, until = (days.begins(day, ZoneInfo(ZONE)) for day in ("2026-03-01", "2026-04-01"))
    own = stock.between_counts(bay, since, until)
    books = audit.audit(bay, "2026-03-01", "2026-04-01", zone=ZoneInfo(ZONE)).missing
    give(store, known(store), outbox.batch(Path(bay.path), 0, 10_000))
    enter(store, "quay")
    with store.connection() as db:
        each, whole = counted.each_count(db, MARCH), counted.first_and_last(db, MARCH, {})
        assert counted.each_count(db, replace(MARCH, shops=("quay",))) == []
        last = max(one.closing_utc for one in own)
        assert max(one.utc for one in counts.moved(db, ("harbour",), since, until)) == last
        jobs = [len(counts.taken(db, ("harbour",), since, end)) for end in (until, "9999")]
        assert 0 < jobs[0] < jobs[1], "an old month reads nothing of what came behind it"
    assert len(own) > 1
    assert late.utc in {one.closing_utc for one in each}
    told = [(one.opening_utc, one.closing_utc, one.explained) for one in each]
    assert sorted(told) == sorted((one.opening_utc, one.closing_utc, one.explained) for one in own)
    for name in ("received_l", "out_booked_l", "rest_l", "rest_u95_l"):
        mine = {one.closing_utc: getattr(one, name) for one in own}
        assert {one.closing_utc: getattr(one, name) for one in each} == pytest.approx(mine, abs=1e-9)
    found = counted.missing_of(whole)
    assert (found.volume_l, found.u95_l, found.surplus_l) == pytest.approx(
        (books.volume_l, books.u95_l, books.surplus_l)
    )
    assert found.volume_l != 0 or found.surplus_l != 0


def test_short_fills_are_ranked_as_the_bay_ranks_them(rolled: Store, bay: Ledger) -> None:
    own = quality.quality(bay, "2026-01-01", "2027-01-01", UTC)
    with rolled.connection() as db:
        short = queries.off(db, YEAR, "short", 50)
        tallied = tallies.tallies(db, YEAR, "meter")
        everywhere = queries.off(db, BOTH, "short", 50)
        assert queries.off(db, YEAR, "over", 50) == []
    assert [line.job_id for line in short] == [fill.job_id for fill in own.short]
    assert len(short) > 3
    assert len(everywhere) > len(short)
    [meter] = [subject for subject in own.subjects if subject.dimension == "meter"]
    assert [(t.name, t.jobs, t.short, t.undecided) for t in tallied] == [
        (meter.name, meter.jobs, meter.short, meter.undecided)
    ]
    values = next(c for c in own.charts if c.dimension == "meter").chart.values
    assert tallied[0].measured == len(values)
    assert tallied[0].mean_percent == pytest.approx(sum(values) / len(values), abs=1e-4)
    assert tallied[0].sd_percent is not None


WORDS = (
    "us 7",
    "OKAFOR rear",
    "001-0001",
    "7 lind",
    "rear 002-",
    "%",
    "no-such",
    "ÖL-WAGEN",
    "us 7 us",
    '"bus 7"',
    '"BUS 1" axle',
    '"001-00007"',
    '"bus',
    "\0",
)


def test_words_find_what_they_find_at_the_bay_however_few_are_looked_through(
    rolled: Store, bay: Ledger
) -> None:
    at = now()
    told = row("001-00090", random.Random(1), 3, vehicle="Öl-Wagen", stage="abandoned")
    bay.append("001-00090", "result", {"report": {}, "row": told, "samples": 0}, at, told)
    give(rolled, known(rolled), outbox.batch(Path(bay.path), 0, 10_000))
    with rolled.connection() as db:
        for words in WORDS:
            of_bay = {one.job_id for one in bay.jobs(1000, wanted=Wanted(words))}
            for scope in (YEAR, BOTH):
                found = finding.look(db, scope, 999, None, words)
                here = [job for job in found.jobs if job.shop == "harbour"]
                assert {job.job_id for job in here} == of_bay, (words, scope)
                assert found.edge is None
                parts: list[JobLine] = []
                after = None
                for _ in range(99):
                    part = finding.look(db, scope, 999, after, words, looked=17)
                    parts += part.jobs
                    if (after := part.edge) is None:
                        break
                assert parts == list(found.jobs), words
        assert {job.shop for job in finding.look(db, BOTH, 999, None, "00").jobs} == {"harbour", "quay"}
        whole_company, harbour = replace(BOTH, company_shops=2), len(finding.jobs(db, YEAR, 999))
        alone = finding.look(db, whole_company, 999, None, "öl-wagen", looked=harbour + 1)
        assert (len(alone.jobs), alone.edge) == (1, None), "no other shop has it, and none is looked through"
        for verdict in ("short", "abandoned"):
            shown = {
                job.verdict if job.stage == "closed" else job.stage
                for job in finding.look(db, BOTH, 99, None, "", verdict).jobs
            }
            assert shown == {verdict}
        few = finding.look(db, BOTH, 5, None, "us")
        assert (len(few.jobs), few.edge) == (5, None)
        with pytest.raises(InputError, match="21 words"):
            finding.look(db, BOTH, 9, None, " ".join(f"{n}" for n in range(21)))


def test_the_list_goes_on_behind_a_job(rolled: Store) -> None:
    with rolled.connection() as db:
        every = finding.jobs(db, BOTH, 1000)
        assert len(every) == 130
        assert [j.opened_utc for j in every] == sorted((j.opened_utc for j in every), reverse=True)
        paged, after = [], None
        while page := finding.jobs(db, BOTH, 17, after):
            paged += page
            last = page[-1]
            after = After(last.opened_utc, last.shop, last.bay, last.seq)
        assert paged == every
        found = queries.job(
            db, "quay", "bay-3", every[-1].job_id if every[-1].bay == "bay-3" else "003-00000"
        )
        assert found is not None
        assert [told.kind for told in found[1]] == ["job_open", "note", "note", "note", "result"]
        assert queries.job(db, "harbour", "bay-3", "003-00000") is None
        assert queries.companies(db) == [COMPANY]
        assert queries.shops(db, COMPANY) == {"harbour": ZONE, "quay": ZONE}
        kept = db.execute(
            "select statement from pg_prepared_statements where statement like '%from job where%'"
        ).fetchall()
        assert kept == []  # a plan for any values reads whole months


def lines_of(one: tallies.Counts) -> list[tuple[Any, ...]]:
    figures = (one.measured, one.ppm, one.ppm2) if one.measured else ()
    columns = (one.shop, one.name, one.jobs, one.short, *figures)
    return [(one.dimension, *line) for line in zip(*columns, strict=True)]


SPANS = [
    replace(BOTH, since=queries.later(BOTH.since, first), until=queries.later(BOTH.since, first + n))
    for first in range(-14, 13)
    for n in (*range(1, 14), 24, 36)
]


@pytest.mark.parametrize("this", [date(2026, 1, 31), date(2026, 8, 1), date(2027, 6, 15)])
def test_a_span_is_few_sums_and_every_one_of_its_months_once(
    this: date, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(days, "now", lambda: datetime(this.year, this.month, this.day, tzinfo=UTC))
    for scope in SPANS:
        parts = scope.parts()
        whole = [date(year.year, month, 1) for year in parts["years"] for month in range(1, 13)]
        assert set(parts["less"]) <= set(whole)
        left = [month for month in whole if month not in parts["less"]]
        assert sorted(left + parts["months"]) == [one.since for one in scope.by_month()]
        if len(scope.by_month()) == 12 and scope.until == queries.later(this.replace(day=1), 1):
            begun = [month for month in parts["less"] if month <= this]
            assert len(parts["years"] + parts["months"] + begun) <= 7, "twelve months up to this one"
    assert YEAR.parts() == {"years": [YEAR.since], "months": [], "less": []} or this < date(2026, 3, 1)


def test_a_span_says_what_its_months_say_together(rolled: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(days, "now", lambda: datetime(2026, 8, 1, tzinfo=UTC))

    def said(scope: Scope) -> Counter[Any]:
        found: Counter[Any] = Counter()
        with rolled.connection() as db:
            for of in tallies.counts(db, scope):
                for _, shop, name, *figures in lines_of(of):
                    found.update({(of.dimension, shop, name, n): figure for n, figure in enumerate(figures)})
            for one in (*queries.use(db, scope), *queries.use_by_fluid(db, scope)):
                line = {(one.shop, one.bay, one.fluid, name): getattr(one, name) for name in USE}
                assert any(line.values())
                found.update(line)
        return found

    of_month: dict[date, Counter[Any]] = {}
    for scope in SPANS[::13]:
        months = scope.by_month()
        for month in months:
            if month.since not in of_month:
                of_month[month.since] = said(month)
        added: Counter[Any] = Counter()
        for month in months:
            added.update(of_month[month.since])
        assert said(scope) == added, (scope.since, scope.until)
    assert sum(of_month[date(2026, 3, 1)].values()) > 0
    year = said(YEAR)
    with rolled.connection() as db:
        db.execute("truncate tally_month, use_month")
    assert said(YEAR) == year, "a whole year has lines of its own, and no month's is read"


def test_two_databases_split_by_shop_say_together_what_one_says(
    rolled: Store, postgres: Embedded, bay: Ledger, tmp_path: Path
) -> None:
    """Each shop's bays report to one of two; nothing that is asked needs both at once."""
    apart = [Store(fresh(postgres.dsn)) for _ in range(2)]
    give(apart[0], known(apart[0]), outbox.batch(Path(bay.path), 0, 10_000))
    for n in (2, 3):
        give(apart[1], known(apart[1], f"bay-{n}", "quay"), outbox.batch(tmp_path / f"{n}.sqlite", 0, 10_000))
    assert [whole(store) for store in apart] == [[], []]

    def asked(store: Store, scope: Scope = BOTH) -> list[Any]:
        with store.connection() as db:
            return [
                queries.use(db, scope),
                queries.use_by_day(db, scope),
                tallies.tallies(db, scope, "meter"),
                [line for one in tallies.counts(db, scope) for line in lines_of(one)],
                queries.off(db, scope, "short", 99),
                counts.stock(db, scope),
                finding.jobs(db, scope, 999),
            ]

    whole_company = replace(BOTH, company_shops=2)
    assert [sorted(map(repr, one)) for one in asked(rolled, whole_company)] == [
        sorted(map(repr, one)) for one in asked(rolled)
    ]
    with rolled.connection() as db:
        one = tallies.counts(db, replace(whole_company, shops=("quay",)))
        assert {shop for of in one for shop in of.shop} == {"quay"}
        assert tallies.counts(db, replace(BOTH, shops=())) == []

    for one, first, second in zip(asked(rolled), *map(asked, apart), strict=True):
        assert sorted(map(repr, one)) == sorted(map(repr, [*first, *second]))

    def added(store: Store) -> tuple[Counter[tuple[str, str]], Counter[str]]:
        """What adds up: litres by fluid, and how much there is. A bay is entered in every database, and counts where it is."""
        with store.connection() as db:
            fluids, there = queries.use_by_fluid(db, BOTH), queries.how_many(db, BOTH.shops)
        litres = {(line.fluid, name): getattr(line, name) for line in fluids for name in USE}
        return Counter(litres), Counter(vars(there))

    (litres, there), first, second = map(added, (rolled, *apart))
    assert litres == first[0] + second[0]
    assert there == first[1] + second[1]
    for store in apart:
        store.close()


NOT_SPREAD = {"log", "receiver"}
"""Tables that are of the company or of the roll-up itself: a sharded server keeps them in one place."""


def test_nothing_in_the_schema_ties_a_shop_to_another(store: Store) -> None:
    """What a sharded PostgreSQL asks of a schema: the key that spreads the rows stands in every unique index, no row refers
    to one that may lie on another server, and nothing happens by trigger."""
    with store.connection() as db:
        without = db.execute(
            """select distinct c.relname from pg_index i join pg_class c on c.oid = i.indrelid
            join pg_namespace n on n.oid = c.relnamespace and n.nspname = 'public'
            where i.indisunique and not exists (select from pg_attribute a where a.attrelid = c.oid
                and a.attnum = any (i.indkey) and a.attname = 'shop')"""
        ).fetchall()
        ties = db.execute("select conrelid::regclass::text from pg_constraint where contype = 'f'").fetchall()
        triggers = db.execute("select tgname from pg_trigger where not tgisinternal").fetchall()
    assert {name for (name,) in without} == NOT_SPREAD
    assert (ties, triggers) == ([], [])


VALUES = {
    **BOTH.values(), **BOTH.parts(),
    **After().values(),
    "most": 50, "dimension": "meter", "meter": "Bay 2 meter", "shop": "quay", "bay": "bay-2", "job_id": "002-00001",
    "begin": date(2026, 1, 1), "after": 0, "of_shop": ["quay"], "of_fluid": ["ATF"], "from_day": [date(2026, 1, 1)],
    "to_day": [date(2026, 2, 1)], "whole": [True], "per_l": [8.0], "currency": ["EUR"], "begun": "2026-01-01", "ended": "2026-02-01", "words": ["7"], "beyond": ["8"], "word_1": "7", "word_2": "j", "verdict": "", "looked": 20,
    "tolerances": True, "of_bay": ["bay-2"], "of_job": ["002-00001"],
    "silent": datetime(2026, 3, 1, tzinfo=UTC), "ends": ["2026-03-31T22:00:00+00:00"], "few": 3, "of_type": ["rear axle, midibus"], "of_method": ["cover removed"], "kinds": ["pan", "meter"], "last": date(2026, 12, 26),
}  # fmt: skip
ASKED = {
    **queries.STATEMENTS, **tallies.STATEMENTS, **counts.STATEMENTS, **teaching.STATEMENTS, **costs.STATEMENTS, **finding.STATEMENTS,
    **measured.STATEMENTS, **certified.STATEMENTS, **compartments.STATEMENTS, **technicians.STATEMENTS, **leaving.STATEMENTS, "found": finding.found_by(words_of('"7" j')), "bays": STATEMENTS["bays by name"],
}  # fmt: skip
SMALL = ("shop",)
"""Tables of a line for each shop, which may be read whole."""


def read_whole(store: Store, name: str) -> list[str]:
    """Tables that a question reads from end to end. The tables here are small, and that would be right; so the planner is
    told how dear it is."""
    with store.connection() as db:
        db.execute("set local enable_seqscan = off")
        plan = [row[0] for row in db.execute(f"explain {ASKED[name]}".encode(), VALUES)]
    assert any(" Scan" in line for line in plan)
    whole = [line.partition("Seq Scan on ")[2].split()[0] for line in plan if "Seq Scan on " in line]
    return [table for table in whole if table not in SMALL]


def test_every_question_has_an_index(rolled: Store) -> None:
    assert {name: whole for name in ASKED if (whole := read_whole(rolled, name))} == {}
    with rolled.connection() as db:
        db.execute("drop index use_month_of_company")
        db.execute("alter table use_month drop constraint use_month_pkey")
    assert set(read_whole(rolled, "use")) == {"use_month"}


def test_a_shops_questions_are_short_ranges_of_an_index(rolled: Store) -> None:
    """Its rows lie scattered over a month, a page each: a list is there in its order, and what charts and stock takes look through
    is in the index itself."""
    with closing(psycopg.connect(rolled.dsn, autocommit=True)) as db:
        db.execute(
            "vacuum job, movement"
        )  # after which an index need not ask the table whether a row is there
        db.execute("set enable_seqscan = off")
        db.execute("set enable_bitmapscan = off")
        names = (
            "jobs",
            "found",
            "short",
            "by level",
            "by next drain",
            "moved",
            "taken",
            "compartments",
            "technicians",
        )
        plans = dict.fromkeys(names, "")
        for name in names:
            values = {**VALUES, **MARCH.values(), "begin": MARCH.since, "meter": ""}
            rows = db.execute(f"explain {ASKED[name]}".encode(), values)
            plans[name] = "\n".join(row[0] for row in rows)
        values = {**VALUES, **replace(MARCH, shops=(*MARCH.shops, "shop-9"), company_shops=2).values()}
        of_company = [row[0] for row in db.execute(f"explain {ASKED['found']}".encode(), values)]
    for name in ("jobs", "found", "short"):
        assert "Sort" not in plans[name].partition("CTE")[0], plans[name]
    for name in ("by level", "by next drain"):
        [scan] = [line for line in plans[name].splitlines() if " on job_" in line]
        assert "Index Only Scan" in scan, plans[name]
    for plan, of in ((plans["found"].splitlines(), "shop"), (of_company, "company")):
        looked = next(line for line in plan if " on job_" in line)
        assert f"Index Only Scan Backward using job_2026_03_{of}_opened_utc" in looked, (
            "what words are held to"
        )
    assert "Index Scan using movement_out on movement" in plans["technicians"], plans["technicians"]
    for name in ("moved", "taken"):
        assert plans[name].count("Index Only Scan Backward using movement_counted") == 2, plans[name]
    assert (
        "(place >= b.seq) AND (place <= b.last)" in plans["moved"].partition("using movement_of_container")[2]
    )
