"""The manager's month and the quality page on 1,000,000 closed jobs, against the bare SQL that they need.

Run from the repository's root: `python tests/bench/bench_history.py`. The bare SQL is what sqlite3 alone takes to run and
fetch the same statements. Each figure is the best of several interleaved rounds, on a warm cache.
"""

from __future__ import annotations

import random
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from station import audit, catalogue, expected, history, quality
from station.ledger import Ledger, now

COUNT = 1_000_000
ROUNDS = 5
GOAL = 2.0
START = datetime(2016, 1, 1, tzinfo=UTC)
STEP = timedelta(minutes=5.26)  # a million jobs in ten years
MONTH = ("2025-03-01", "2025-04-01")
QUARTER = ("2025-01-01", "2025-04-01")
TYPES = [
    ("rear axle", 2.9, "cover removed"),
    ("transfer case", 1.8, "drain plug"),
    ("gearbox", 2.93, "suction"),
]


def jobs(columns: list[str]) -> Iterator[tuple[Any, ...]]:
    """Invented jobs of a large depot: 400 vehicles, 6 bays with a meter each, 24 technicians, 3 fluids."""
    draw = random.Random(20)
    for i in range(COUNT):
        utc = (START + i * STEP).isoformat(timespec="milliseconds")
        compartment, listed_l, method = TYPES[i % 3]
        bay = draw.randrange(6)
        expected_l = listed_l * 0.98
        filled_l = expected_l + draw.gauss(0.0, 0.02) - (0.2 if draw.random() < 0.02 else 0.0)
        off_l = filled_l - expected_l
        verdict = "short" if off_l < -0.12 else "undecided" if abs(off_l) > 0.055 else "full"
        row: dict[str, Any] = {
            "job_id": f"j{i:07d}",
            "opened_utc": utc,
            "closed_utc": utc,
            "stage": "closed" if i % 50 else "abandoned",
            "vehicle": f"Bus {draw.randrange(400)}",
            "compartment": compartment,
            "technician": f"T{draw.randrange(24):02d}",
            "grade": "75W-90",
            "listed_capacity_l": listed_l,
            "expected_fill_l": expected_l,
            "drained_l": expected_l + draw.gauss(0.0, 0.05),
            "drained_u95_l": 0.008,
            "metered_l": filled_l + 0.01,
            "overflow_l": 0.01,
            "filled_l": filled_l,
            "filled_u95_l": 0.01,
            "verdict": verdict,
            "bay": f"Bay {bay}",
            "meter": f"M{bay}",
            "container": f"drum {i % 3}",
            "fluid": f"fluid {i % 3}",
            "compartment_type": f"{compartment}, midibus",
            "method": method,
            "expected_fill_u95_l": 0.03,
            "tolerance_minus_l": 0.1,
            "tolerance_plus_l": 0.1,
            "overflow_u95_l": 0.004,
            "level_seen": int(draw.random() < 0.7),
            "distance_km": 1000.0 + i,
        }
        yield tuple(row[name] for name in columns)


def build(path: Path) -> None:
    ledger = Ledger(path)
    columns = list(ledger.db.table("job").columns_dict)
    indexes = ledger.db.execute(
        "select name, sql from sqlite_master where type = 'index' and tbl_name = 'job' and sql is not null"
    ).fetchall()
    ledger.db.execute("pragma synchronous = off")
    with ledger.db.atomic():
        for name, _ in indexes:  # sorted once at the end, which is quicker than a million insertions
            ledger.db.execute(f"drop index {name}")
        marks = ",".join("?" * len(columns))
        ledger.db.conn.executemany(f"insert into job values ({marks})", jobs(columns))
        for _, sql in indexes:
            ledger.db.execute(sql)
    for fluid in range(3):
        price = catalogue.Change(
            "price", (f"fluid {fluid}",), "add", {"amount": "6.40", "per": "1 L", "currency": "EUR"}
        )
        ledger.append(None, catalogue.EVENT, catalogue.body([price], "bench"), now())
        for volume_l in (180.0, 150.0):
            body = audit.movement("counted", f"fluid {fluid}", volume_l, 0.5, f"drum {fluid}")
            ledger.append(None, audit.EVENT, body, now())
    ledger.close()


def best(calls: dict[str, Callable[[], Any]]) -> dict[str, float]:
    seconds = dict.fromkeys(calls, float("inf"))
    for _ in range(ROUNDS):
        for name, call in calls.items():
            begun = time.perf_counter()
            call()
            seconds[name] = min(seconds[name], time.perf_counter() - begun)
    return seconds


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "million.sqlite"
        begun = time.perf_counter()
        build(path)
        print(
            f"built {COUNT:,} jobs, {path.stat().st_size / 1e6:.0f} MB, in {time.perf_counter() - begun:.0f} s"
        )
        ledger = Ledger(path, read_only=True)
        run = ledger.db.conn.execute
        known = catalogue.read(ledger)
        page = quality.quality(ledger, *QUARTER)
        charted = [(chart.dimension, chart.name) for chart in page.charts]

        def bare_month() -> None:
            for group in audit.GROUPS:
                run(audit.statement(group, 0), MONTH).fetchall()
            run("select * from movement where utc >= ? and utc < ?", MONTH).fetchall()

        def bare_quality() -> None:
            for sql in (*quality.RANKED.values(), quality.UNDECIDED):
                run(sql, [*QUARTER, quality.LISTED]).fetchall()
            for sql in quality.COUNTS.values():
                run(sql, QUARTER).fetchall()
            for dimension, name in charted:
                run(quality.POINTS[dimension], [name, QUARTER[1]]).fetchall()

        calls = {
            "bare month": bare_month,
            "manager's month": lambda: audit.audit(ledger, *MONTH, known),
            "bare quality": bare_quality,
            "quality page": lambda: quality.quality(ledger, *QUARTER),
            "newest 50 jobs": lambda: ledger.jobs(50),
            "50 jobs from the middle": lambda: ledger.jobs(50, "j0500000"),
            "one technician's chart": lambda: quality.subject_chart(ledger, "technician", "T07"),
            "expected fill of a type": lambda: expected.expected_fill(
                ledger, "rear axle, midibus", 2.9, "cover removed"
            ),
            "a compartment's last job": lambda: history.previous_job(ledger, "Bus 7", "rear axle"),
        }
        seconds = best(calls)
        ledger.close()
    for name, bare in (("manager's month", "bare month"), ("quality page", "bare quality")):
        ours, least = seconds[name], seconds[bare]
        print(
            f"{name} on {COUNT:,} jobs: {ours / least:.2f} x the bare SQL "
            f"(goal {GOAL:g} x; {ours * 1e3:.0f} ms against {least * 1e3:.0f} ms)"
        )
    for name in list(calls)[4:]:
        print(f"{name} out of {COUNT:,}: {seconds[name] * 1e3:.1f} ms")


if __name__ == "__main__":
    main()
