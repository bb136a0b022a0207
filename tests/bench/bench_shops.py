"""The roll-up at a size: how fast it takes records in there, and how long each of its pages' questions takes.

Run from the repository's root: `python tests/bench/bench_shops.py JOBS FOLDER`; the folder must be empty, reachable for an
unprivileged user, and is left as it is: 1,000,000 jobs need 3 GB, 10,000,000 some 20 GB. PLANS.txt in it has what PostgreSQL
did for each question (EXPLAIN with ANALYZE and BUFFERS). Loaded without sync, measured with the roll-up's own settings.

A question is asked at other shops, or for other months, each time. Beside the clock stands what the server's process used of
the processor for it, on average: a busy machine lengthens the first and hardly the second.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import sys
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from statistics import quantiles
from typing import Any

import psycopg

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from station.learning.quality import LISTED
from station.record import outbox
from station.record.many import finding, queries
from station.record.many.embedded import Embedded
from station.record.many.finding import LOOKED, After
from tests.bench import bench_many, thousand_shops
from tests.bench.thousand_shops import BAYS, GOING_ON, SHOPS
from tests.rolled import COMPANY
from web.frame.listing import PER_PAGE

TIMES = 30
EXPORTS = ("use by day",)
"""What no page asks of a whole company, but its CSV and JSON do: asked once."""
SENDING = 32
"""Bays that go on where their records end, each of another shop."""
OF_ONE = ("points", "job", "told")
"""Questions that are always about one shop."""
FAST = {
    "fsync": "off",
    "full_page_writes": "off",
    "wal_level": "minimal",
    "max_wal_senders": "0",
    "max_wal_size": "4GB",
    "autovacuum": "off",
}
QUESTIONS = {
    **queries.STATEMENTS,
    **finding.STATEMENTS,
    "jobs, found": finding.found_by(2),
    "jobs, none found": finding.found_by(2),
}
YEAR = (date(2026, 1, 1), date(2027, 1, 1))


@dataclass
class Asked:
    """Answers to one question. clock_ms: each; processor_ms: the server's, on average."""

    clock_ms: list[float] = field(default_factory=list)
    processor_ms: float = 0.0

    def row(self) -> str:
        p50, p95 = (quantiles(self.clock_ms * 2, n=100, method="inclusive")[k] for k in (49, 94))
        return f"{p50:.1f} / {p95:.1f} | {self.processor_ms:.1f}"


def questions(draw: random.Random) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Whose it is, its name in ``STATEMENTS``, its values: of a shop's month, and of the company's month and year."""
    every = [f"shop-{n:04d}" for n in range(SHOPS)]
    shop, bay = draw.choice(every), draw.randrange(BAYS)
    month = draw.randrange(1, 12)
    more: dict[str, Any] = {
        "dimension": draw.choice(("bay", "meter", "fluid")),
        "most": LISTED,
        "begin": date(2025, 1, 1),
    }
    more |= {
        "meter": f"Bay {bay} meter",
        "shop": shop,
        "bay": f"bay-{bay}",
        "job_id": f"{bay + 1:03d}-{draw.randrange(20):05d}",
    }
    more |= {**After().values(), "verdict": "", "looked": LOOKED, "word": "001-00012", "beyond": "001-00013"}
    words = {"jobs, found": ("bus", f"{draw.randrange(30)}"), "jobs, none found": ("okafor", "lindqvist")}
    since = (date(2026, month, 1), date(2026, month + 1, 1))
    for whose, shops, (begin, end) in (
        ("shop, month", [shop], since),
        ("company, month", every, since),
        ("company, year", every, YEAR),
    ):
        scope = {"company": COMPANY, "shops": shops, "since": begin, "until": end}
        for name in QUESTIONS:
            if name in OF_ONE and whose != "shop, month":
                continue
            of = words.get(name, ("bus", "7"))
            most = PER_PAGE + 1 if name.startswith("jobs") else LISTED
            named = {"words": list(of), "word_1": of[0], "word_2": of[1], "most": most}
            yield whose, name, {**more, **scope, **named}


def ask(dsn: str, times: int) -> dict[tuple[str, str], Asked]:
    """Each question so many times; of the company a third as often."""
    answers: dict[tuple[str, str], Asked] = {}
    used: dict[tuple[str, str], float] = {}
    with closing(psycopg.connect(dsn, autocommit=True)) as db:
        draw = random.Random(15)
        for n in range(times):
            for whose, name, values in questions(draw):
                if whose != "shop, month" and (n % 3 or (n and name in EXPORTS)):
                    continue
                before_s = bench_many.processor_s(db.info.backend_pid)
                begun_s = time.perf_counter()
                db.execute(QUESTIONS[name].encode(), values, prepare=False).fetchall()
                answers.setdefault((whose, name), Asked()).clock_ms.append(
                    1e3 * (time.perf_counter() - begun_s)
                )
                spent_s = bench_many.processor_s(db.info.backend_pid) - before_s
                used[whose, name] = used.get((whose, name), 0.0) + spent_s
    for at, answer in answers.items():
        answer.processor_ms = 1e3 * used[at] / len(answer.clock_ms)
    return answers


def table(answers: Mapping[tuple[str, str], Asked]) -> str:
    rows = [f"| {whose} | {name} | {answer.row()} |" for (whose, name), answer in answers.items()]
    return "\n".join(["| whose | question | p50 / p95, ms | processor, ms |", "|---|---|---|---|", *rows])


def plans(dsn: str) -> tuple[str, str]:
    """What PostgreSQL did for each question: whole, and a line each."""
    whole, lines = [], ["| whose | question | nodes | rows | buffers |", "|---|---|---|---|---|"]
    through = []
    with closing(psycopg.connect(dsn, autocommit=True)) as db:
        for whose, name, values in questions(random.Random(7)):
            explain = f"explain (analyze, buffers, format json) {QUESTIONS[name]}"
            [[[plan]]] = db.execute(explain.encode(), values).fetchall()
            kinds: dict[str, int] = {}
            for node in _nodes(plan["Plan"]):
                kind = f"{node['Node Type']} {node.get('Index Name', node.get('Relation Name', ''))}".strip()
                kind = kind if "_20" not in kind else kind[: kind.index("_20")] + "_*"
                kinds[kind] = kinds.get(kind, 0) + 1
                if (
                    node["Node Type"] == "Seq Scan"
                    and node.get("Shared Hit Blocks", 0) + node.get("Shared Read Blocks", 0) > 10
                ):
                    through.append(f"{whose}, {name}: {node['Relation Name']}")
            buffers = plan["Plan"]["Shared Hit Blocks"] + plan["Plan"]["Shared Read Blocks"]
            told = ", ".join(kind if n == 1 else f"{n} × {kind}" for kind, n in kinds.items())
            lines.append(f"| {whose} | {name} | {told} | {plan['Plan']['Actual Rows']:.0f} | {buffers:,} |")
            whole += [f"--- {whose}: {name}", json.dumps(plan, indent=1)]
    lines.append(f"\nTables of more than ten pages that were read through: {'; '.join(through) or 'none'}")
    return "\n".join(whole), "\n".join(lines)


def _nodes(plan: Mapping[str, Any]) -> Iterator[Mapping[str, Any]]:
    yield plan
    for one in plan.get("Plans", ()):
        yield from _nodes(one)


@contextmanager
def running(folder: Path, settings: Mapping[str, str] | None = None) -> Iterator[Embedded]:
    server = Embedded(folder, [f"{name}={value}" for name, value in (settings or {}).items()])
    try:
        yield server
    finally:
        server.close()


def forgotten(folder: Path) -> None:
    """Have the system drop what it keeps of these files in memory; the server must not run."""
    os.sync()
    for path in folder.rglob("*"):
        if path.is_file():
            with path.open("rb") as file:
                os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


def sending(server: Embedded, path: Path) -> bench_many.Rate:
    """path: the record of the first bay of any shop, which goes on here, and whose end each of the sending bays then has."""
    ends = outbox.newest(path)
    thousand_shops.go_on(path, 0, seed=ends)
    batches = bench_many.batches_of(path, 500, ends)
    tokens = thousand_shops.tokens(server.dsn, SENDING)
    return bench_many.rate(server.dsn, server.pid, batches, tokens, outbox.newest(path) - ends, GOING_ON)


def main() -> None:
    jobs, folder = int(sys.argv[1]), Path(sys.argv[2]).resolve()
    begun_s = time.monotonic()

    def say(text: str) -> None:
        print(f"{time.monotonic() - begun_s:5.0f} s: {text}", flush=True)

    folder.mkdir(parents=True, exist_ok=True)
    folder.chmod(0o755)
    loaded = folder / f"LOADED-{jobs}"
    if not loaded.exists():
        if next(folder.iterdir(), None) is not None:
            raise SystemExit(f"{folder}: neither empty nor loaded with {jobs} jobs")
        with running(folder, FAST) as server:
            thousand_shops.load(server.dsn, folder, jobs, say)
            if wrong := thousand_shops.unlike(server.dsn, 20):
                raise SystemExit(f"sums are not what their rows add up to: {wrong}")
            say("the sums of 20 shops are what their rows add up to")
        loaded.touch()
    forgotten(folder)
    with running(folder) as server:
        print(f"\nCold, each once:\n\n{table(ask(server.dsn, 1))}\n", flush=True)
        print(f"Warm:\n\n{table(ask(server.dsn, TIMES))}\n", flush=True)
        whole, lines = plans(server.dsn)
        (folder / "PLANS.txt").write_text(f"{whole}\n", encoding="utf-8")
        print(f"{lines}\n", flush=True)
        say("asked")
        taken: list[bench_many.Rate] = []
        thread = threading.Thread(target=lambda: taken.append(sending(server, folder / "bay-0.sqlite")))
        thread.start()
        print(f"Under ingest:\n\n{table(ask(server.dsn, 15))}\n", flush=True)
        thread.join()
        alone = sending(server, folder / "bay-0.sqlite")
        print(f"| beside questions | {bench_many.HEADS} |\n|---|---|---|---|---|---|")
        print(f"| yes | {taken[0].row()} |\n| no | {alone.row()} |\n", flush=True)
    size = sum(path.stat().st_blocks * 512 for path in folder.rglob("*") if path.is_file())
    say(f"done; {size / 1e9:.1f} GB in {folder}, {shutil.disk_usage(folder).free / 1e9:.0f} GB free")


if __name__ == "__main__":
    main()
