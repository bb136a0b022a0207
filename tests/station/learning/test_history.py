"""A meter is held against what its fills came to elsewhere: at the lip, and on the pan when the next job drains them."""

import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from station.given.evidence import MeterRecord
from station.learning import quality
from station.learning.history import METER_JOBS, U_NEXT_REL, meter_record, next_drains
from tests.station.shop_rows import shop

DRIFT = 1.03


def rounds(vehicles: int, visits: int, drifts_at: int, rng: random.Random) -> Iterator[dict[str, Any]]:
    """Vehicles in turn, each filled to the metered target and drained by its next visit; nobody looks at a level."""
    inside_l = dict.fromkeys(range(vehicles), 2.80)
    for n in range(vehicles * visits):
        true_l = 2.87 / (DRIFT if n >= drifts_at else 1.0)
        yield {
            "opened_utc": f"2026-{1 + n // 28:02d}-{1 + n % 28:02d}",
            "vehicle": f"Bus {n % vehicles}",
            "drained_l": inside_l[n % vehicles] * (1.0 + rng.gauss(0.0, 0.004)),
            "filled_l": 2.87,
            "level_proved": 0,
            "level_seen": 0,
        }
        inside_l[n % vehicles] = true_l


def test_a_drifting_meter_is_seen_by_what_the_next_job_drains(tmp_path: Path) -> None:
    jobs = list(rounds(6, 16, 48, random.Random(3)))
    ledger = shop(tmp_path / "l.sqlite", *jobs)
    record = meter_record(ledger, "M1", proved=True)
    assert record.fills == METER_JOBS - 6  # the newest six have not come back yet
    assert record.fills_since == 6
    assert record.offset_rel == pytest.approx(DRIFT - 1.0, abs=0.004)
    assert U_NEXT_REL <= record.u_offset_rel < U_NEXT_REL + 0.001  # which no number of jobs averages out
    before = meter_record(ledger, "M1", proved=True, before="j49")
    assert before.offset_rel == pytest.approx(0.0, abs=0.004)
    one = quality.subject_chart(ledger, quality.NEXT_DRAIN, "M1")
    assert one.chart.n == len(jobs) - 6
    assert one.recent
    assert (
        quality.subject_chart(ledger, "meter", "M1").chart.n == 0
    )  # the pump stopped at the target each time
    ledger.close()


def test_a_listing_that_drain_and_level_contradict_says_nothing_of_the_meter(tmp_path: Path) -> None:
    """3.5 L listed, 2.69 came out and 2.69 brought it to the lip; beside it an axle that came in low, and a meter that is off."""
    rows: list[dict[str, Any]] = [
        {"expected_fill_l": 3.5, "drained_l": 2.69, "filled_l": 2.69, "level_proved": 1},
        {"expected_fill_l": 2.0, "drained_l": 2.69, "filled_l": 2.69, "level_proved": 1},
        {"expected_fill_l": 2.87, "drained_l": 2.2, "filled_l": 2.86, "level_proved": 1},
        {"expected_fill_l": 2.87, "drained_l": 2.86, "filled_l": 2.70, "level_proved": 1},
    ]
    ledger = shop(
        tmp_path / "l.sqlite",
        *({"opened_utc": f"2026-01-0{n}", "vehicle": f"Bus {n}", **row} for n, row in enumerate(rows, 1)),
    )
    one = quality.subject_chart(ledger, "meter", "M1")
    assert (one.job_ids, one.left_out) == (("j3", "j4"), 2)
    assert meter_record(ledger, "M1", proved=False).fills == 2
    ledger.close()


def test_lip_and_next_drain_of_one_fill_are_one_fill(tmp_path: Path) -> None:
    ledger = shop(
        tmp_path / "l.sqlite",
        {"opened_utc": "2026-01-01", "filled_l": 2.95, "expected_fill_l": 2.87, "level_proved": 1},
        {"opened_utc": "2026-02-01", "drained_l": 2.87, "filled_l": None, "level_proved": 0},
    )
    record = meter_record(ledger, "M1", proved=False)
    assert record.fills == 1
    assert record.offset_rel == pytest.approx(2.95 / 2.87 - 1.0)
    ledger.close()


@pytest.mark.parametrize(
    "then",
    [{"stage": "abandoned"}, {"drained_l": None}, {"drained_l": 1.4}, {"method": "suction"}, {"vehicle": "Bus 7"}],
)  # fmt: skip
def test_a_drain_that_says_nothing_of_the_meter_is_left_out(tmp_path: Path, then: dict[str, Any]) -> None:
    quiet = {"level_proved": 0, "level_seen": 0}
    ledger = shop(
        tmp_path / "l.sqlite",
        {"opened_utc": "2026-01-01", **quiet},
        {"opened_utc": "2026-02-01", **quiet, **then},
        {"opened_utc": "2026-03-01", **quiet, "vehicle": "Bus 8"},
    )
    assert next_drains(ledger, "M1") == []
    assert meter_record(ledger, "M1", proved=True) == MeterRecord(proved=True)
    ledger.close()
