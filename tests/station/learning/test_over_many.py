"""What the roll-up says of fills and meters is what each bay says itself."""

import json
import random
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date
from pathlib import Path

import pytest

from station.learning import over_many, quality
from station.record import outbox
from station.record.ledger import Ledger, Moment
from station.record.many import measured, queries, tallies
from station.record.many.derive import DIMENSIONS
from station.record.many.ingest import Db
from station.record.many.queries import Scope
from station.record.many.store import Store
from tests.rolled import COMPANY, give, known, record, report_of, row

YEAR = Scope(COMPANY, ("harbour",), date(2026, 1, 1), date(2027, 1, 1))
HURRIED = "T. Brightwell"


@pytest.fixture(scope="module")
def own(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ledger]:
    """A year in which one technician stops short of the target and a meter comes to read low; of one fill the listing is wrong."""
    ledger = record(tmp_path_factory.mktemp("bay") / "bay.sqlite", 150, notes=0)
    draw = random.Random(7)
    for n in range(40):
        filled_l = 2.40 if n < 4 else round(2.842 * (0.98 + draw.gauss(0.0, 0.002)), 6)
        more = {
            "filled_l": filled_l,
            "verdict": "short" if n < 4 else "full",
            "technician": HURRIED if n < 4 else "M. Okafor",
            "drained_l": filled_l,
            "tolerance_minus_l": 0.1,
            "tolerance_plus_l": 0.1,
            "expected_fill_l": 2.842 if n != 20 else 3.6,
            "level_seen": int(n >= 4),
            "stage": "closed",
            "vehicle": "Bus <4>" if n < 4 else f"Bus {n % 3}",
        }
        utc = f"2026-12-{1 + n // 2:02d}T{6 + 6 * (n % 2):02d}:30:00.000+00:00"
        told = row(f"low-{n:03d}", draw, n, bay="Bay 1", meter="Bay 1 meter", **more, opened_utc=utc)
        at = Moment("boot", 1000.0 + n, utc, True)
        ledger.append(told["job_id"], "job_open", {"job": {"capacity": "2.9 L"}}, at)
        if n < 4:
            ledger.append(told["job_id"], "note", {"text": "closed as it is: end of shift"}, at)
        body = {"report": report_of(told), "row": told, "samples": 0}
        ledger.append(told["job_id"], "result", body, at, told)
    yield ledger
    ledger.close()


@pytest.fixture
def db(store: Store, own: Ledger) -> Iterator[Db]:
    give(store, known(store), outbox.batch(Path(own.path), 0, 10_000))
    with store.connection() as db:
        yield db


def test_a_meters_charts_are_the_bays_own_with_what_is_left_out_and_since_when(db: Db, own: Ledger) -> None:
    charts = over_many.meter_charts(db, YEAR, "Bay 1 meter")["harbour", "Bay 1 meter"]
    assert [one.dimension for one in charts] == [quality.NEXT_DRAIN, "meter"]
    for one in charts:
        said = quality.subject_chart(own, one.dimension, "Bay 1 meter")
        whole = [f"harbour/bay-1/{job_id}" for job_id in said.job_ids]
        assert (one.job_ids, one.utcs) == (tuple(whole), said.utcs)
        assert one.chart.values == pytest.approx(said.chart.values)
        assert (one.chart.centre, one.chart.ucl) == pytest.approx((said.chart.centre, said.chart.ucl))
        assert (one.since, one.left_out, one.recent) == (said.since, said.left_out, said.recent)
        assert one.tolerance_percent == pytest.approx(said.tolerance_percent)
    level = charts[1]
    assert (level.left_out, level.since is not None) == (1, True)
    every = over_many.meter_charts(db, YEAR)["harbour", "Bay 1 meter"]
    assert [(one.since, one.left_out, one.job_ids) for one in every] == [
        (one.since, one.left_out, one.job_ids) for one in charts
    ]


@pytest.mark.parametrize("way", over_many.WAYS.values())
def test_a_chart_reads_the_newest_months_that_fill_it(db: Db, way: str) -> None:
    """Bay 1 has another meter in January and February."""
    db.execute("update job set meter = 'old meter' where month < '2026-03-01'")
    db.execute("update tally_month set name = 'old meter' where dimension = 'meter' and month < '2026-03-01'")
    for until in (date(2026, month, 1) for month in range(2, 13)):
        scope = replace(YEAR, until=until)
        every = measured.points(db, scope, way, 10_000)
        for most in (1, 12, 30):
            of_each = [[p for p in every if p.meter == name][-most:] for name in ("Bay 1 meter", "old meter")]
            assert measured.points(db, scope, way, most) == of_each[0] + of_each[1]
    assert all(of_each)


@pytest.mark.parametrize(("most", "oldest"), [(8, "2026_12"), (50, "2026_05"), (10_000, "2026_01")])
def test_no_older_months_than_that_are_read(db: Db, most: int, oldest: str) -> None:
    db.commit()
    measured.points(db, YEAR, "by level", most)
    [(read,)] = db.execute(
        "select min(relname) from pg_stat_xact_user_tables where relname like 'job\\_20%' and seq_scan + coalesce(idx_scan, 0) > 0"
    ).fetchall()
    assert read == f"job_{oldest}"


def test_short_fills_and_what_they_share_are_as_the_bay_says(db: Db, own: Ledger) -> None:
    said = quality.quality(own, "2026-01-01", "2027-01-01", UTC)
    short = queries.off(db, YEAR, "short", 50)
    reasons = over_many.reasons(db, short)
    told = [reasons[line.shop, line.bay, line.job_id].text for line in short]
    assert told == [fill.reason for fill in said.short]
    assert sum("reason given: end of shift" in text for text in told) == 4
    shared = over_many.shared(tallies.counts(db, YEAR))
    recurring = sorted((one for one in said.recurring if one.dimension in DIMENSIONS), key=lambda one: one.p)
    assert shared == [over_many.Shared(s.dimension, s.name, s.jobs, s.short, s.p) for s in recurring]
    assert HURRIED in [one.name for one in shared]


def test_shops_share_types_and_fluids_and_keep_their_own_people(
    store: Store, db: Db, own: Ledger, tmp_path: Path
) -> None:
    with closing(record(tmp_path / "2.sqlite", 60, seed=2)):
        give(store, known(store, "bay-2", "quay"), outbox.batch(tmp_path / "2.sqlite", 0, 10_000))
    both = replace(YEAR, shops=("harbour", "quay"))
    shared = over_many.shared(tallies.counts(db, both))
    assert f"harbour · {HURRIED}" in [one.name for one in shared]


def test_a_report_that_cannot_be_read_takes_no_page_with_it(db: Db) -> None:
    [worst, *rest] = queries.off(db, YEAR, "short", 50)
    db.execute(
        "update event set body = %s where bay = 'bay-1' and job_id = %s and kind = 'result'",
        [json.dumps({"report": {"verdict": 7}}), worst.job_id],
    )
    assert len(over_many.reasons(db, [worst, *rest])) == len(rest)
