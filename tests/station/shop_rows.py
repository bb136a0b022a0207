"""A ledger with rows of closed jobs for tests of the history; invented throughout."""

from pathlib import Path
from typing import Any

from station.record.ledger import Ledger, Moment

ROW: dict[str, Any] = {
    "job_id": "j1",
    "opened_utc": "2026-03-10T08:00:00.000+00:00",
    "closed_utc": "2026-03-10T09:00:00.000+00:00",
    "stage": "closed",
    "vehicle": "Bus 12",
    "compartment": "rear axle",
    "technician": "M. Okafor",
    "grade": "75W-90",
    "listed_capacity_l": 2.9,
    "expected_fill_l": 2.87,
    "drained_l": 2.85,
    "drained_u95_l": 0.010,
    "metered_l": 2.90,
    "overflow_l": 0.02,
    "filled_l": 2.88,
    "filled_u95_l": 0.012,
    "verdict": "full",
    "bay": "Bay 1",
    "meter": "M1",
    "container": "drum 1",
    "fluid": "gear oil",
    "compartment_type": "midibus rear axle",
    "method": "cover removed",
    "expected_fill_u95_l": 0.03,
    "tolerance_minus_l": 0.10,
    "tolerance_plus_l": 0.10,
    "overflow_u95_l": 0.004,
    "level_seen": 1,
    "distance_km": None,
    "level_proved": None,
    "proved_fill_l": None,
}


def at(utc: str) -> Moment:
    return Moment("boot", 0.0, utc, True)


def shop(path: Path, *jobs: dict[str, Any]) -> Ledger:
    """A ledger with one row per job, each ROW with what is given; numbered j1, j2 …"""
    ledger = Ledger(path)
    add(ledger, *jobs)
    return ledger


def add(ledger: Ledger, *jobs: dict[str, Any]) -> None:
    first = ledger.db.execute("select count(*) from job").fetchone()[0] + 1
    with ledger.db.atomic():
        for i, job in enumerate(jobs):
            row = {**ROW, "job_id": f"j{first + i}", **job}
            ledger.append(row["job_id"], "job_open", {}, at(row["opened_utc"]))
            ledger.db.table("job").insert(row)
