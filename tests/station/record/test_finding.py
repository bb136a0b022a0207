"""Jobs that a list is asked for: the same ones as by looking at each, whichever way they are found."""

import random
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from station.common import days
from station.errors import InputError
from station.record import finding
from station.record.finding import Wanted, wanted
from station.record.ledger import JobRow, Ledger
from station.record.rows import OUTCOMES
from tests.station.shop_rows import shop

JOBS = 300
OSLO = days.zone_of("Europe/Oslo")


def _jobs() -> Iterator[dict[str, Any]]:
    draw = random.Random(4)
    for n in range(JOBS):
        filled_l = draw.choice([2.88, 2.88, 2.6, None])
        yield {
            "opened_utc": (datetime(2026, 3, 1, tzinfo=UTC) + timedelta(hours=7 * n)).isoformat(),
            "vehicle": f"Bus {draw.randrange(12)}" if n != 40 else "Tow truck",
            "compartment": draw.choice(["rear axle", "transfer case"]),
            "technician": draw.choice(["M. Okafor", "J. Lindqvist", None]),
            "container": draw.choice(["drum 1", "drum 2"]),
            "stage": "abandoned" if n % 17 == 0 else "closed",
            "filled_l": filled_l,
            "verdict": draw.choice(["full", "short", "undecided"]),
        }


@pytest.fixture(scope="module")
def ledger(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ledger]:
    kept = shop(tmp_path_factory.mktemp("jobs") / "l.sqlite", *_jobs())
    yield kept
    kept.close()


ASKED = [
    Wanted(),
    Wanted("axle"),
    Wanted("okafor transfer"),
    Wanted("bus 11 LINDQVIST"),
    Wanted("tow"),
    Wanted('"bus 1" axle'),
    Wanted('"j29" "TOW TRUCK"'),
    Wanted('"j29"'),
    Wanted('"bus'),
    Wanted('""'),
    Wanted("j29"),
    Wanted("nothing like it"),
    Wanted(vehicle="Bus 7", technician="M. Okafor"),
    Wanted(container="drum 2", outcome="short"),
    *(Wanted(outcome=outcome) for outcome in OUTCOMES),
    wanted(words="axle", first_day="2026-03-10", last_day="2026-03-20", zone=OSLO),
    wanted(last_day="2026-03-02"),
    wanted(first_day="2031-01-01"),
]


@pytest.mark.parametrize("walked", [3, 20_000], ids=["by index", "walked through"])
@pytest.mark.parametrize("asked", ASKED, ids=str)
def test_pages_hold_what_fits_and_nothing_else(
    ledger: Ledger, asked: Wanted, walked: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(finding, "WALKED", walked)
    every = [JobRow.of(row) for row in ledger.db.query("select * from job order by rowid desc")]
    wanted_ids = [row.job_id for row in every if asked.fits(row)]
    found: list[str] = []
    while page := ledger.jobs(7, found[-1] if found else None, asked):
        found += [row.job_id for row in page]
    assert found == wanted_ids


def test_what_stands_in_quotes_is_a_whole_name(ledger: Ledger) -> None:
    def vehicles(words: str) -> set[str | None]:
        return {row.vehicle for row in ledger.jobs(JOBS, None, Wanted(words))}

    assert vehicles("Bus 1 axle") == {"Bus 1", "Bus 10", "Bus 11"}
    assert vehicles('"Bus 1" axle') == {"Bus 1"}


def test_a_days_jobs_are_those_of_the_shops_day() -> None:
    asked = wanted(first_day="2026-03-10", last_day="2026-03-10", zone=OSLO)
    assert (asked.since, asked.until) == ("2026-03-09T23:00:00.000+00:00", "2026-03-10T23:00:00.000+00:00")


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ({"outcome": "empty"}, "expected one of: full, short, over, undecided, no verdict, abandoned"),
        ({"first_day": "March"}, "from is 'March'; expected a date"),
        ({"first_day": "2026-03-02", "last_day": "2026-03-01"}, "expected the later one last"),
    ],
)
def test_what_cannot_be_meant_is_objected_to(asked: dict[str, Any], told: str) -> None:
    with pytest.raises(InputError, match=told):
        wanted(**asked)


def test_what_is_rare_is_looked_for_by_an_index(tmp_path: Path) -> None:
    ledger = shop(tmp_path / "l.sqlite", {})
    for asked in (
        Wanted("okafor axle"),
        Wanted(vehicle="Bus 12"),
        Wanted(outcome="over"),
        Wanted(container="drum 1"),
    ):
        term, values = asked.condition(ledger.db)
        plan = ledger.db.execute(
            f"explain query plan select rowid from job where +rowid between 1 and 9 and {term} order by +rowid desc",
            values,
        ).fetchall()
        assert not [row for row in plan if row[3].startswith("SCAN job")], (asked, plan)
    ledger.close()
