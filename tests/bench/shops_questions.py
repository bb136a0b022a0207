"""What the pages over many bays ask of the database, one by one: how long each takes, and what PostgreSQL does for it."""

from __future__ import annotations

import json
import random
import time
from collections.abc import Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from statistics import quantiles
from typing import Any

import psycopg

from calibration.certificates import KINDS
from station.learning.over_many import WAYS
from station.learning.quality import CHART_JOBS, LISTED
from station.record.finding import words_of
from station.record.many import certified, compartments, counts, finding, measured, queries, store, tallies
from station.record.many.finding import LOOKED, After
from station.record.many.queries import CHART_MONTHS, Scope, later
from station.shop import technicians
from tests.bench.bench_many import processor_s
from tests.bench.thousand_shops import BAYS, FIRST, SHOPS
from tests.rolled import COMPANY
from web.frame.listing import PER_PAGE
from web.shop.many.contexts import ROWS_MOST
from web.shop.many.lacking import NAMED, SILENT

EXPORTS = ("use by day", "use, all", "stock, all", "bays, all", "tally")
"""What no page asks of a whole company, but its CSV and JSON do: asked once."""
OF_ONE = ("job", "told", "let go", "moved", "taken", "compartments", "technicians", *measured.STATEMENTS)
"""Questions that are always about one shop, or about few."""
WITHOUT = {"counts of a month": "months", "counts of a year": "years"}
"""Questions about one sum that is held, which a span may not be."""
TWO_WORDS = words_of("bus 7")
QUESTIONS = {
    **queries.STATEMENTS,
    **tallies.STATEMENTS,
    "use, all": queries.STATEMENTS["use"],
    **counts.STATEMENTS,
    "stock, all": counts.STATEMENTS["stock"],
    "bays by need": store.STATEMENTS["bays by need"],
    "bays, all": store.STATEMENTS["bays by name"],
    **certified.STATEMENTS,
    **measured.STATEMENTS,
    **finding.STATEMENTS,
    **compartments.STATEMENTS,
    **technicians.STATEMENTS,
    "jobs, found": finding.found_by(TWO_WORDS),
    "jobs, none found": finding.found_by(TWO_WORDS),
}
MOST = {"stock": ROWS_MOST, "bays by need": ROWS_MOST, "stock, all": None, "bays, all": None}
MOST |= dict.fromkeys(certified.STATEMENTS, ROWS_MOST) | dict.fromkeys(WAYS.values(), CHART_JOBS)
YEAR = (date(2026, 1, 1), date(2027, 1, 1))


@dataclass
class Asked:
    """Answers to one question. clock_ms: each; processor_ms: the server's, on average."""

    clock_ms: list[float] = field(default_factory=list)
    processor_ms: float = 0.0

    def quantiles(self) -> str:
        p50, p95 = (quantiles(self.clock_ms * 2, n=100, method="inclusive")[k] for k in (49, 94))
        return f"{p50:.0f} / {p95:.0f}" if len(self.clock_ms) > 1 else f"{p50:.0f}"

    def row(self) -> str:
        return f"{self.quantiles()} | {self.processor_ms:.1f}"


def questions(draw: random.Random) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Whose it is, its name in ``STATEMENTS``, its values: of a shop's month, and of the company's month and year."""
    every = [f"shop-{n:04d}" for n in range(SHOPS)]
    shop, bay = draw.choice(every), draw.randrange(BAYS)
    month = draw.randrange(1, 12)
    more: dict[str, Any] = {
        "dimension": draw.choice(("bay", "meter", "fluid")),
        "most": LISTED,
    }
    more |= {
        "meter": f"Bay {bay} meter",
        "shop": shop,
        "bay": f"bay-{bay}",
        "job_id": f"{bay + 1:03d}-{draw.randrange(20):05d}",
    }
    more |= {**After().values(), "verdict": "", "looked": LOOKED}
    more |= {"kinds": list(KINDS), "last": date.max, "tolerances": False}
    more |= {"of_shop": [FIRST], "of_bay": [more["bay"]], "of_job": [more["job_id"]]}
    priced = [date(2025, 12, 1), date(2026, month, 10)]  # a price that changed within the month
    more |= {"of_fluid": ["ATF"] * 2, "from_day": priced, "to_day": [priced[1], YEAR[1]]}
    more |= {"per_l": [7.8, 8.9], "currency": ["EUR"] * 2}
    more |= {"silent": datetime.now(UTC) - SILENT, "few": NAMED}
    words = {"jobs, found": ("bus", f"{draw.randrange(30)}"), "jobs, none found": ("okafor", "lindqvist")}
    since = (date(2026, month, 1), date(2026, month + 1, 1))
    for whose, shops, (begin, end) in (
        ("shop, month", [shop], since),
        ("company, month", every, since),
        ("company, year", every, YEAR),
    ):
        scope = Scope(COMPANY, tuple(shops), begin, end, SHOPS)
        for name in QUESTIONS:
            if name in OF_ONE and whose != "shop, month":
                continue
            if name in WITHOUT and not scope.parts()[WITHOUT[name]]:
                continue
            of = words.get(name, ("bus", "7"))
            most = PER_PAGE + 1 if name.startswith("jobs") else MOST.get(name, LISTED)
            named = {
                "begun": f"{begin}T00:00:00.000+00:00",
                "begin": later(end, -CHART_MONTHS),
                "ended": f"{end}T00:00:00.000+00:00",
                "ends": [f"{end}T00:00:00.000+00:00"] * len(shops),
                "words": list(of),
                "whole": [False] * len(of),
                "beyond": [f"{word}\U0010ffff" for word in of],
                "word_1": of[0],
                "word_2": of[1],
                "most": most,
            }
            values = {**more, **scope.values(), **scope.parts(), **named}
            if name in WAYS.values():  # months that fill the charts of a shop of this size
                values |= {"begin": later(end, -3), "meter": ""}
            if name == "use":  # of the shops that the page shows
                values |= {"shops": shops[:ROWS_MOST], "all_shops": False}
            yield whose, name, values


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
                before_s = processor_s(db.info.backend_pid)
                begun_s = time.perf_counter()
                db.execute(QUESTIONS[name].encode(), values, prepare=False).fetchall()
                answers.setdefault((whose, name), Asked()).clock_ms.append(
                    1e3 * (time.perf_counter() - begun_s)
                )
                spent_s = processor_s(db.info.backend_pid) - before_s
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
