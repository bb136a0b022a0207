"""No question reads a table from end to end, and a shop's are short ranges of an index."""

from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime

import psycopg

from station.learning import teaching
from station.record.finding import words_of
from station.record.many import certified, compartments, counts, finding, leaving, measured, queries, tallies
from station.record.many.finding import After
from station.record.many.store import STATEMENTS, Store
from station.shop import costs, technicians
from tests.station.record.many.asking.conftest import BOTH, MARCH

VALUES = {
    **BOTH.values(), **BOTH.parts(),
    **After().values(),
    "most": 50, "dimension": "meter", "meter": "Bay 2 meter", "shop": "quay", "bay": "bay-2", "job_id": "002-00001",
    "begin": date(2026, 1, 1), "after": 0, "of_shop": ["quay"], "of_fluid": ["ATF"], "from_day": [date(2026, 1, 1)],
    "to_day": [date(2026, 2, 1)], "whole": [True], "per_l": [8.0], "currency": ["EUR"], "begun": "2026-01-01", "ended": "2026-02-01", "words": ["7"], "beyond": ["8"], "word_1": "7", "word_2": "j", "verdict": "", "looked": 20,
    "tolerances": True, "of_bay": ["bay-2"], "of_job": ["002-00001"],
    "silent": datetime(2026, 3, 1, tzinfo=UTC), "ends": ["2026-03-31T22:00:00+00:00"], "few": 3, "of_type": ["rear axle, midibus"], "of_method": ["cover removed"], "kinds": ["pan", "meter"], "last": date(2026, 12, 26),
}  # fmt: skip
ASKED = {
    **queries.STATEMENTS, **tallies.STATEMENTS, **counts.STATEMENTS, **teaching.STATEMENTS, **costs.STATEMENTS, **finding.STATEMENTS,
    **measured.STATEMENTS, **certified.STATEMENTS, **compartments.STATEMENTS, **technicians.STATEMENTS, **leaving.STATEMENTS, "found": finding.found_by(words_of('"7" j')), "bays": STATEMENTS["bays by name"],
}  # fmt: skip
SMALL = ("shop",)
"""Tables of a line for each shop, which may be read whole."""


def read_whole(store: Store, name: str) -> list[str]:
    """Tables that a question reads from end to end. The tables here are small, and that would be right; so the planner is
    told how dear it is."""
    with store.connection() as db:
        db.execute("set local enable_seqscan = off")
        plan = [row[0] for row in db.execute(f"explain {ASKED[name]}".encode(), VALUES)]
    assert any(" Scan" in line for line in plan)
    whole = [line.partition("Seq Scan on ")[2].split()[0] for line in plan if "Seq Scan on " in line]
    return [table for table in whole if table not in SMALL]


def test_every_question_has_an_index(rolled: Store) -> None:
    assert {name: whole for name in ASKED if (whole := read_whole(rolled, name))} == {}
    with rolled.connection() as db:
        db.execute("drop index use_month_of_company")
        db.execute("alter table use_month drop constraint use_month_pkey")
    assert set(read_whole(rolled, "use")) == {"use_month"}


def test_a_shops_questions_are_short_ranges_of_an_index(rolled: Store) -> None:
    """Its rows lie scattered over a month, a page each: a list is there in its order, and what charts and stock takes look through
    is in the index itself."""
    with closing(psycopg.connect(rolled.dsn, autocommit=True)) as db:
        db.execute(
            "vacuum job, movement"
        )  # after which an index need not ask the table whether a row is there
        db.execute("set enable_seqscan = off")
        db.execute("set enable_bitmapscan = off")
        names = (
            "jobs",
            "found",
            "short",
            "by level",
            "by next drain",
            "moved",
            "taken",
            "compartments",
            "technicians",
        )
        plans = dict.fromkeys(names, "")
        for name in names:
            values = {**VALUES, **MARCH.values(), "begin": MARCH.since, "meter": ""}
            rows = db.execute(f"explain {ASKED[name]}".encode(), values)
            plans[name] = "\n".join(row[0] for row in rows)
        values = {**VALUES, **replace(MARCH, shops=(*MARCH.shops, "shop-9"), company_shops=2).values()}
        of_company = [row[0] for row in db.execute(f"explain {ASKED['found']}".encode(), values)]
    for name in ("jobs", "found", "short"):
        assert "Sort" not in plans[name].partition("CTE")[0], plans[name]
    for name in ("by level", "by next drain"):
        [scan] = [line for line in plans[name].splitlines() if " on job_" in line]
        assert "Index Only Scan" in scan, plans[name]
    for plan, of in ((plans["found"].splitlines(), "shop"), (of_company, "company")):
        looked = next(line for line in plan if " on job_" in line)
        assert f"Index Only Scan Backward using job_2026_03_{of}_opened_utc" in looked, (
            "what words are held to"
        )
    assert "Index Scan using movement_out on movement" in plans["technicians"], plans["technicians"]
    for name in ("moved", "taken"):
        assert plans[name].count("Index Only Scan Backward using movement_counted") == 2, plans[name]
    assert (
        "(place >= b.seq) AND (place <= b.last)" in plans["moved"].partition("using movement_of_container")[2]
    )
