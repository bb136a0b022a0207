"""A figure and its U95 have the same digits wherever a person reads them: page, list, sheet, text, CSV, table, quality."""

import csv
import io
import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from station.__main__ import main
from station.common.digits import stated
from station.common.tabular import to_text
from station.core.replay import replay
from station.figures import balance
from station.figures.sheet import text_sheet
from station.given import recording
from station.given.job import read_job
from station.given.report import Report
from station.record.ledger import job_row
from tests.station.figures.test_witnesses import fill
from tests.station.shop_rows import shop
from tests.web.conftest import Bay
from tests.web.fake_engine import FakeEngine, job_record

DATA = Path(__file__).parents[2] / "data"
FIGURES = ("drained", "filled", "expected_fill")
UTC = "2026-03-10T08:00:00.000+00:00"


def told(row: dict[str, Any], name: str) -> tuple[str, str]:
    one = stated(row[f"{name}_l"], row[f"{name}_u95_l"])
    return one.value, one.u95


def read(bay: Bay, path: str) -> str:
    """A page's text with plain spaces."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", bay.html(path).text)).replace("\u00a0", " ")


@pytest.mark.parametrize("doubts", [(0.0063, 0.0099, 0.0999), (0.1234, 0.996, 1.02), (0.0, 0.0995, 0.0004)])
def test_one_rule_everywhere(
    open_bay: Callable[..., Bay], tmp_path: Path, doubts: tuple[float, float, float]
) -> None:
    u95s = {f"{name}_u95_l": u95_l for name, u95_l in zip(FIGURES, doubts, strict=True)}
    plain = balance.report(fill(2.5)).to_dict() | {"verdict": "short", "stage": "closed"} | u95s
    report = Report.read(plain)
    labels = {"vehicle": "Bus 12", "compartment": "rear axle", "bay": "Bay 1", "method": "cover removed"}
    listing = job_row("j1", UTC, UTC, labels, report)
    row = listing.to_dict()
    ledger = shop(tmp_path / "l.sqlite")
    ledger.db.table("job").insert(row)
    ledger.close()
    engine = FakeEngine(ledger=tmp_path / "l.sqlite")
    engine.rows, engine.records["j1"] = [listing], replace(job_record("j1"), report=report)
    bay = open_bay(engine)
    period = "since=2026-03-01&until=2026-04-01"
    pages = {name: read(bay, name) for name in ("/jobs", "/jobs/j1", "/jobs/j1/sheet", f"/quality?{period}")}
    pages["text"] = re.sub(r" +", " ", text_sheet(report, labels))
    listed = {
        path: next(csv.DictReader(io.StringIO(bay.send("GET", path).text)))
        for path in ("/jobs.csv", f"/quality.csv?{period}")
    }
    terminal = to_text([row], [f"{name}{end}" for name in FIGURES for end in ("_l", "_u95_l")])
    for name in FIGURES:
        value, u95 = told(row, name)
        for where, text in pages.items():
            if not (name == "drained" and "quality" in where):
                assert f"{value} ± {u95} L" in text, (where, name)
        for where, cells in listed.items():
            if f"{name}_l" in cells:
                assert (cells[f"{name}_l"], cells[f"{name}_u95_l"]) == (value, u95), (where, name)
    assert terminal.splitlines()[1].split() == [text for name in FIGURES for text in told(row, name)]
    # what carries no doubt of its own has the millilitre's digits
    assert listed["/jobs.csv"]["tolerance_minus_l"] == "0.100"


def test_json_carries_every_digit(
    open_bay: Callable[..., Bay], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What a program reads is what was computed, bit for bit: nobody rounds, and nobody's rounding adds up."""
    report = replace(balance.report(fill(2.5 + 1e-13 / 3.0)), verdict="short", stage="closed")
    kept = json.loads(json.dumps(report.to_dict()))
    assert any(len(repr(kept[f"{name}_u95_l"])) > 16 for name in FIGURES)
    listing = job_row("j1", UTC, UTC, {"vehicle": "Bus 12", "compartment": "rear axle"}, report)
    ledger = shop(tmp_path / "l.sqlite")
    ledger.db.table("job").insert(listing.to_dict())
    ledger.close()
    engine = FakeEngine(ledger=tmp_path / "l.sqlite")
    engine.rows, engine.records["j1"] = [listing], replace(job_record("j1"), report=report)
    bay = open_bay(engine)
    told = bay.send("GET", "/jobs/j1.json").json()["report"]
    assert {name: told[name] for name in kept} == kept
    rows = [
        bay.send("GET", "/jobs.json").json()["jobs"][0],
        bay.send("GET", "/quality.json?since=2026-03-01&until=2026-04-01").json()["short"][0],
    ]
    for row in rows:
        shared = [name for name in row if name in kept and name.endswith("_l")]
        assert len(shared) > 3
        assert {name: row[name] for name in shared} == {name: kept[name] for name in shared}
    job, samples = DATA / "bus7_axle.toml", DATA / "bus7_axle.csv"
    assert main(["replay", str(job), str(samples), "--json"]) == 0
    computed = balance.report(replay(read_job(job), recording.read(samples))).to_dict()
    printed = json.loads(capsys.readouterr().out)
    assert {name: printed[name] for name in computed if name != "notices"} == json.loads(
        json.dumps({name: value for name, value in computed.items() if name != "notices"})
    )
