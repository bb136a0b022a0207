"""What is asked of many bays is what each bay says of itself, added up."""

import json
import random
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from station.common import days
from station.errors import InputError
from station.learning import quality
from station.record import outbox
from station.record.finding import Wanted
from station.record.ledger import Ledger, now
from station.record.many import counts, finding, queries, tallies
from station.record.many.derive import UL
from station.record.many.finding import After
from station.record.many.queries import JobLine
from station.record.many.store import Store
from station.shop import audit, catalogue, costs, counted, stock, technicians
from station.shop.catalogue import Change
from station.shop.movement import Movement
from tests.rolled import COMPANY, ZONE, enter, give, known, row
from tests.station.record.many.asking.conftest import BOTH, LATER, MARCH, YEAR


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
