"""Stock and lists go by the order of the record: no jump of the wall clock moves a drop or a line."""

import random
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from station.learning import expected, history, quality
from station.record.ledger import Ledger
from station.shop import catalogue, movement, stock
from station.shop.catalogue import Change
from tests.station.shop_rows import add, at, shop

NOON = datetime(2026, 3, 10, 12, tzinfo=UTC)


def utc(when: datetime) -> str:
    return when.isoformat(timespec="milliseconds")


def move(ledger: Ledger, when: datetime, kind: str, volume_l: float) -> None:
    body = movement.Movement(kind, "gear oil", volume_l, 0.0, "drum 1").to_dict()
    ledger.append(None, movement.EVENT, body, at(utc(when)))


def shelf(path: Path) -> Ledger:
    ledger = shop(path)
    drum = Change("container", ("drum 1",), "add", {"fluid": "gear oil", "size": "208 L"})
    ledger.append(None, catalogue.EVENT, catalogue.body([drum], "test"), at(utc(NOON)))
    return ledger


def content_l(ledger: Ledger) -> float:
    (one,) = stock.contents(ledger, catalogue.read(ledger))
    return one.content_l


def test_a_clock_put_back_by_a_day_takes_nothing_out_of_a_drum_twice_and_hides_nothing(
    tmp_path: Path,
) -> None:
    ledger = shelf(tmp_path / "l.sqlite")
    add(ledger, {"opened_utc": utc(NOON), "metered_l": 40.0})
    move(ledger, NOON + timedelta(hours=1), "counted", 50.0)
    back = NOON - timedelta(days=1)
    add(ledger, {"opened_utc": utc(back), "metered_l": 2.9})
    move(ledger, back + timedelta(hours=1), "waste", 5.0)
    assert content_l(ledger) == pytest.approx(42.1)
    move(ledger, back + timedelta(hours=2), "counted", 42.0)  # earlier by the clock, later in truth
    assert content_l(ledger) == 42.0
    add(ledger, {"opened_utc": utc(NOON + timedelta(hours=3)), "metered_l": 1.0})  # put right again
    assert content_l(ledger) == pytest.approx(41.0)
    assert [row.job_id for row in ledger.jobs()] == ["j3", "j2", "j1"]
    ledger.close()


def what_was_learned(ledger: Ledger) -> list[Any]:
    """What the next job is planned with: each looks at the newest few, or at the one before."""
    drains = history.next_drains(ledger, "M1", limit=4)
    newest = history.compartment_jobs(ledger, "Bus 12", "rear axle", limit=3)
    before = history.compartment_jobs(ledger, "Bus 12", "rear axle", newest[0].job_id, 1)
    return [
        history.meter_record(ledger, "M1", proved=True),
        [(drain.job_id, drain.off_rel) for drain in drains],
        expected.fills_of_type(ledger, "midibus rear axle", "cover removed"),
        [row.job_id for row in (*newest, *before)],
        history.newest_job(ledger, "Bus 12", "rear axle"),
        quality.subject_chart(ledger, "technician", "M. Okafor").job_ids,
    ]


@pytest.mark.parametrize("seed", range(6))
def test_stock_and_lists_are_the_same_under_any_wall_clock(seed: int, tmp_path: Path) -> None:
    """The same shop twice: once under a true clock, once under one that jumps by a second to decades at each entry."""
    rng = random.Random(seed)
    steps = (1.0, -1.0, 3600.0, -3600.0, 86400.0, -86400.0)
    ledgers = [shelf(tmp_path / "true.sqlite"), shelf(tmp_path / "jumps.sqlite")]
    true, off_s, found = NOON, 0.0, []
    for _ in range(40):
        true += timedelta(minutes=rng.uniform(1, 600))
        off_s = rng.choice([*(off_s + s for s in steps), -56 * 365 * 86400.0, 12 * 365 * 86400.0])
        kind = rng.choice(["job", "job", "counted", "received", "waste"])
        volume_l = round(rng.uniform(0.5, 60.0), 2)
        for ledger, when in zip(ledgers, (true, true + timedelta(seconds=off_s)), strict=True):
            if kind == "job":
                filled = {
                    "filled_l": 2.87 + volume_l / 1000,
                    "drained_l": 2.87,
                    "level_proved": round(volume_l) % 2,
                }
                add(ledger, {"opened_utc": utc(when), "metered_l": volume_l, **filled})
            else:
                move(ledger, when, kind, volume_l)
        found.append([content_l(ledger) for ledger in ledgers])
    # Sums of the same volumes in another order may differ in their last digit.
    assert [a for a, _ in found] == pytest.approx([b for _, b in found], abs=1e-9)
    lists = [[row.job_id for row in ledger.jobs(100)] for ledger in ledgers]
    assert lists[0] == lists[1]
    assert what_was_learned(ledgers[0]) == what_was_learned(ledgers[1])
    for ledger in ledgers:
        ledger.close()


def test_the_first_job_after_an_entry_is_found_wherever_it_stands(tmp_path: Path) -> None:
    ledger = shelf(tmp_path / "l.sqlite")
    openings = []
    for n in range(17):
        if n % 3 == 0:
            move(ledger, NOON, "waste", 0.1)
        add(ledger, {"opened_utc": utc(NOON)})
        openings.append(ledger.db.execute("select max(seq) from event").fetchone()[0])
    for n, seq in enumerate(openings):
        assert ledger.first_job_opened_after(seq - 1) == n + 1
        assert ledger.first_job_opened_after(seq) == n + 2
    assert ledger.first_job_opened_after(0) == 1
    ledger.close()
