"""The shop's history on 1,000,000 closed jobs: what the pages compute, and the pages themselves, over the web app.

Run from the repository's root: `python tests/bench/bench_history.py`. Each figure is the best of several interleaved
rounds, on a warm cache. Two comparisons:

- The manager's month and the quality page, as computed, against the statements that they need, run and fetched by
  sqlite3 alone (goal: 2 x).
- Every page that lists or charts, from the request to the last byte, in this process: seconds, and how many times the
  very statements that it ran take alone. A page that needs little from the file has a large ratio and is quick all the
  same; the seconds say whether it answers in a page load.
"""

from __future__ import annotations

import asyncio
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from urllib.parse import quote
from zoneinfo import ZoneInfo

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import httpx

from station.bay.records import Records
from station.common import days
from station.given.config import BayConfig, demo_path, read_config
from station.learning import quality
from station.learning.history import next_drains
from station.people.access import Access
from station.record.ledger import Ledger
from station.shop import audit, catalogue, offered
from station.shop.catalogue import Catalogue
from tests.bench.million import COUNT, START, STEP, WHOLE_JOB, build
from web.app import create_app

ROUNDS = 5
GOAL = 2.0
ZONE = ZoneInfo("Europe/Oslo")
MONTH = ("2025-03-01", "2025-04-01")
QUARTER = ("2025-01-01", "2025-04-01")
LAST = f"{(START + (COUNT - 1) * STEP).date()}"
DEEP = f"j{COUNT // 2:07d}"
PAGES = {
    "jobs, first page": "/jobs",
    "jobs, 500,000 down": f"/jobs?before={DEEP}",
    "jobs, two words": "/jobs?q=bus+7+gearbox",
    "jobs, words that nothing holds": "/jobs?q=nothing+like+it",
    "jobs, short ones of a month": "/jobs?outcome=short&from=2019-03-01&to=2019-03-31",
    "jobs, over, of which there are none": "/jobs?outcome=over",
    "jobs, a technician's over a container": "/jobs?technician=T07&container=drum%201",
    "a vehicle's jobs": "/jobs?vehicle=Bus%207",
    "a vehicle's jobs, deep": f"/jobs?vehicle=Bus%207&before={DEEP}",
    "jobs as CSV, 10,000": "/jobs.csv?limit=10000",
    "one job": f"/jobs/{WHOLE_JOB}",
    "usage of a month, by day": "/usage?month=2025-03",
    "usage of a month, by vehicle": "/usage?month=2025-03&by=vehicle",
    "usage of a month, CSV": "/usage.csv?month=2025-03",
    "what a year's pictures show, CSV": "/usage.csv?month=2025-03&by=month",
    "entries": "/entries",
    "short fills of a year, searched": "/quality/fills?verdict=short&from=2024-04-01&to=2025-03-31&q=gearbox",
    "stock, one container never counted": "/stock.json",
    "quality, 90 days": f"/quality?since={QUARTER[0]}&until={QUARTER[1]}",
    "quality, a year": "/quality?since=2024-04-01&until=2025-04-01&of=technician",
    "one technician's chart": "/quality/chart?of=technician&name=T07",
    "one type's chart": f"/quality/chart?of={quote('compartment type')}&name={quote('gearbox, midibus')}",
    "service due, 1,200 compartments": "/due",
    "service due, CSV": "/due.csv",
    "expected fills, 1,200 compartments": "/expected",
    "set-up, 1,200 compartments": "/setup?table=compartment",
}


class Reading(Records):
    """What the pages read of a bay without a job: its record alone, no devices. statements: what it asked of the file."""

    backend, bay_name, invented_past = "simulated", "Bay 0", False

    def __init__(self, config: BayConfig) -> None:
        self.statements: list[str] = []
        self.config = config
        with self.reading() as ledger:
            self._catalogue = catalogue.read(ledger)
        nothing = SimpleNamespace(open_job=None, leaving=(), find=lambda job_id: None)
        self._published = SimpleNamespace(newest=nothing)  # type: ignore[assignment]
        self.config = offered.merged(config, self._catalogue)

    @contextmanager
    def reading(self) -> Iterator[Ledger]:  # type: ignore[override]
        ledger = Ledger(self.config.ledger, read_only=True)
        ledger.db.conn.set_trace_callback(self.statements.append)
        try:
            yield ledger
        finally:
            ledger.close()

    def settings(self) -> BayConfig:
        return self.config

    def catalogue(self) -> Catalogue:
        return self._catalogue

    def hold(self, held: bool) -> None:
        raise AssertionError("nothing is held here")


def best(calls: dict[str, Callable[[], Any]], rounds: int = ROUNDS) -> dict[str, float]:
    seconds = dict.fromkeys(calls, float("inf"))
    for _ in range(rounds):
        for name, call in calls.items():
            begun = time.perf_counter()
            call()
            seconds[name] = min(seconds[name], time.perf_counter() - begun)
    return seconds


def computed(path: Path) -> None:
    ledger = Ledger(path, read_only=True)
    run = ledger.db.conn.execute
    known = catalogue.read(ledger)
    charted = [(chart.dimension, chart.name) for chart in quality.quality(ledger, *QUARTER, ZONE).charts]
    period = [days.begins(day, ZONE) for day in QUARTER]

    def bare_month() -> None:
        for group in audit.GROUPS:
            run(*audit.query(group, *MONTH, ZONE)).fetchall()
        bounds = [days.begins(day, ZONE) for day in MONTH]
        run("select * from movement where utc >= ? and utc < ?", bounds).fetchall()

    def bare_quality() -> None:
        for sql in (*quality.RANKED.values(), quality.UNDECIDED):
            run(sql, [*period, quality.LISTED]).fetchall()
        for sql in quality.COUNTS.values():
            run(sql, period).fetchall()
        for dimension, name in charted:
            if dimension == quality.NEXT_DRAIN:
                next_drains(ledger, name, None, quality.CHART_JOBS, period[1])
            else:
                run(quality.POINTS[dimension], [name, period[1]]).fetchall()

    seconds = best(
        {
            "bare month": bare_month,
            "manager's month": lambda: audit.audit(ledger, *MONTH, known, zone=ZONE),
            "bare quality": bare_quality,
            "quality page": lambda: quality.quality(ledger, *QUARTER, ZONE),
        }
    )
    for name, bare in (("manager's month", "bare month"), ("quality page", "bare quality")):
        ours, least = seconds[name], seconds[bare]
        print(
            f"{name} on {COUNT:,} jobs, as computed: {ours / least:.2f} x the bare SQL "
            f"(goal {GOAL:g} x; {ours * 1e3:.0f} ms against {least * 1e3:.0f} ms)"
        )
    print(f"jobs left open, looked for at the start: {best({'start': ledger.unfinished}, 1)['start']:.2f} s")
    ledger.close()


def paged(path: Path) -> None:
    engine = Reading(replace(read_config(demo_path()), ledger=path, zone=ZONE))
    transport = httpx.ASGITransport(create_app(engine, Access(None)))  # type: ignore[arg-type]
    bare = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    with asyncio.Runner() as runner:
        client = httpx.AsyncClient(transport=transport, base_url="http://localhost")

        def get(address: str) -> None:
            reply = runner.run(client.get(address, headers={"Accept": "text/html"}))
            if reply.status_code != 200:
                raise SystemExit(f"{address}: {reply.status_code} {reply.text[:300]}")

        print("| page | seconds | bare SQL | ratio |\n|---|---|---|---|")
        for name, address in PAGES.items():
            engine.statements.clear()
            get(address)
            asked = [
                text for text in engine.statements if text.lstrip().lower().startswith(("select", "with"))
            ]

            def alone(asked: list[str] = asked) -> None:
                for text in asked:
                    bare.execute(text).fetchall()

            seconds = best({"page": partial(get, address), "bare": alone}, 3)
            ratio = f"{seconds['page'] / seconds['bare']:.1f}" if asked else "reads nothing"
            print(f"| {name} | {seconds['page']:.3f} | {seconds['bare']:.4f} | {ratio} |", flush=True)
        runner.run(client.aclose())
    bare.close()


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "million.sqlite"
        begun = time.perf_counter()
        build(path)
        size_mb, took_s = path.stat().st_size / 1e6, time.perf_counter() - begun
        print(f"built {COUNT:,} jobs, {size_mb:.0f} MB, in {took_s:.0f} s")
        computed(path)
        paged(path)


if __name__ == "__main__":
    main()
