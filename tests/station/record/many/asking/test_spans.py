"""What is asked of a span is what its months say together, and what two databases split by shop say; nothing ties one shop to another."""

from collections import Counter
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest

from station.common import days
from station.record import outbox
from station.record.ledger import Ledger
from station.record.many import counts, finding, queries, tallies
from station.record.many.derive import USE
from station.record.many.embedded import Embedded
from station.record.many.queries import Scope
from station.record.many.store import Store
from tests.rolled import fresh, give, known, whole
from tests.station.record.many.asking.conftest import BOTH, YEAR


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
