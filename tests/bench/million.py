"""A ledger with a million closed jobs of an invented depot, for the benchmarks of the shop's history."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from station.figures import balance
from station.record.ledger import JOB_COLUMNS, Ledger, Moment, job_row, now
from station.rehearsing.rehearse import rehearse
from station.rehearsing.scenario import read_scenario
from station.shop import catalogue, movement

COUNT = 1_000_000
START = datetime(2016, 1, 1, tzinfo=UTC)
STEP = timedelta(minutes=5.26)  # a million jobs in ten years
VEHICLES, TECHNICIANS, BAYS = 400, 24, 6
TYPES = [
    ("rear axle", 2.9, "cover removed"),
    ("transfer case", 1.8, "drain plug"),
    ("gearbox", 2.93, "suction"),
]
WHOLE_JOB = f"j{COUNT // 2:07d}"
"""The job whose record is whole: its samples, events and result are those of a rehearsal."""


def jobs() -> Iterator[tuple[Any, ...]]:
    """Rows of the table job: 400 vehicles of three compartments, 6 bays with a meter each, 24 technicians, 3 fluids."""
    draw = random.Random(20)
    for i in range(COUNT):
        utc = (START + i * STEP).isoformat(timespec="milliseconds")
        compartment, listed_l, method = TYPES[i % 3]
        bay = draw.randrange(BAYS)
        expected_l = listed_l * 0.98
        filled_l = expected_l + draw.gauss(0.0, 0.02) - (0.2 if draw.random() < 0.02 else 0.0)
        off_l = filled_l - expected_l
        verdict = "short" if off_l < -0.12 else "undecided" if abs(off_l) > 0.055 else "full"
        row: dict[str, Any] = {
            "job_id": f"j{i:07d}",
            "opened_utc": utc,
            "closed_utc": utc,
            "stage": "closed" if i % 50 else "abandoned",
            "vehicle": f"Bus {draw.randrange(VEHICLES)}",
            "compartment": compartment,
            "technician": f"T{draw.randrange(TECHNICIANS):02d}",
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
            "level_proved": None,
            "proved_fill_l": None,
        }
        yield tuple(row[name] for name in JOB_COLUMNS)


def openings() -> Iterator[tuple[Any, ...]]:
    """One event per job, that it was opened, so that the event table and its indexes have their size. Not chained."""
    body = json.dumps({"job": {"capacity": "2.9 L", "method": "cover removed"}, "backend": "pi"})
    for i in range(COUNT):
        utc = (START + i * STEP).isoformat(timespec="milliseconds")
        yield (i + 1, f"j{i:07d}", "job_open", body, "boot", float(i), utc, 1, "", f"{i:064x}")


def build(path: Path) -> None:
    ledger = Ledger(path)
    indexes = ledger.db.execute(
        "select name, sql from sqlite_master where type = 'index' and tbl_name in ('job', 'event') and sql is not null"
    ).fetchall()
    ledger.db.execute("pragma synchronous = off")
    with ledger.db.atomic():
        for name, _ in indexes:  # sorted once at the end, which is quicker than a million insertions
            ledger.db.execute(f"drop index {name}")
        ledger.db.conn.executemany(f"insert into job values ({','.join('?' * len(JOB_COLUMNS))})", jobs())
        ledger.db.conn.executemany("insert into event values (?,?,?,?,?,?,?,?,?,?)", openings())
        for _, sql in indexes:
            ledger.db.execute(sql)
    _catalogue(ledger)
    _whole_job(ledger)
    ledger.close()


def _catalogue(ledger: Ledger) -> None:
    changes = []
    for n in range(3):
        fluid = {"name": f"fluid {n}", "grade": "75W-90", "kind": "lubricant", "density_15_kg_m3": "871"}
        price = {"amount": "6.40", "per": "1 L", "currency": "EUR"}
        changes.append(catalogue.Change("fluid", (f"fluid {n}",), "add", fluid))
        changes.append(catalogue.Change("price", (f"fluid {n}",), "add", price))
        drum = {"fluid": f"fluid {n}", "size": "208 L"}
        changes.append(catalogue.Change("container", (f"drum {n}",), "add", drum))
    for n in range(VEHICLES):
        vehicle = f"Bus {n}"
        changes.append(catalogue.Change("vehicle", (vehicle,), "add", {"distance": "1100000 km"}))
        for compartment, listed_l, method in TYPES:
            fields = {"capacity": f"{listed_l} L", "method": method, "type": f"{compartment}, midibus"}
            fields |= {"interval_distance": "40000 km", "interval_months": "24"}
            changes.append(catalogue.Change("compartment", (vehicle, compartment), "add", fields))
    ledger.append(None, catalogue.EVENT, catalogue.body(changes, "bench"), now())
    for n in range(2):  # the third was never counted: all that was ever drawn from it is added up
        for day in range(1, 500, 7):  # a stock take a week
            utc = (START + COUNT * STEP - timedelta(days=500 - day)).isoformat(timespec="milliseconds")
            body = movement.Movement("counted", f"fluid {n}", 150.0, 0.5, f"drum {n}").to_dict()
            ledger.append(None, movement.EVENT, body, Moment("boot", 0.0, utc, True))


def _whole_job(ledger: Ledger) -> None:
    """Give one job in the middle its events and samples; its row and its opening are there already."""
    played = rehearse(read_scenario(None), 1)
    report = balance.report(played.state)
    spec, utc = played.state.spec, (START + COUNT // 2 * STEP).isoformat(timespec="milliseconds")
    at = Moment("boot", 0.0, utc, True)
    ledger.append(WHOLE_JOB, "job_open", {**spec.to_table(), "backend": "simulated"}, at)
    for text in ("drain", "drip", "reseal", "fill", "settle", "leak watch", "closed"):
        ledger.append(WHOLE_JOB, "stage", {"text": text}, at)
    row = job_row(WHOLE_JOB, utc, utc, {**spec.labels, "method": spec.method}, report)
    ledger.append(WHOLE_JOB, "result", {"report": report.to_dict(), "row": row.to_dict()}, at)
