"""The curve on the page and on paper, from a recorded job."""

import hashlib
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from station.record.ledger import Ledger
from tests.rehearsed import short_job
from tests.web.fake_engine import FakeEngine, job_record
from web.frame.render import HERE
from web.jobs.curve import curve_of, drawing_of
from web.jobs.still import HEIGHT, WIDTH


class Recorded(FakeEngine):
    """An engine whose one job was rehearsed."""

    def __init__(self, seed: int) -> None:
        super().__init__()
        rehearsal = short_job(seed)
        self.samples, self.spec = rehearsal.samples, rehearsal.state.spec
        self.record = replace(job_record("r1"), report=rehearsal.report())

    def job_toml(self, job_id: str) -> str:
        import tomli_w

        return tomli_w.dumps(self.spec.to_table())

    def reading(self) -> Any:
        ledger = Ledger(":memory:")
        ledger.samples = lambda job_id: list(self.samples)  # type: ignore[method-assign]
        return _Closing(ledger)


class _Closing:
    def __init__(self, ledger: Ledger) -> None:
        self.ledger = ledger

    def __enter__(self) -> Ledger:
        return self.ledger

    def __exit__(self, *_: object) -> None:
        self.ledger.close()


@pytest.fixture(scope="module")
def engine() -> Recorded:
    return Recorded(3)


def test_the_curve_is_held_against_what_the_report_states(engine: Recorded) -> None:
    found = curve_of(engine, engine.record)
    assert found is not None
    curve, known = found
    report = engine.record.measured
    assert (known.filled_l, known.expected_l) == (report.filled_l, report.expected_fill_l)
    assert {trace.name for trace in curve.traces} >= {"pan", "metered", "flow", "fluid_drained_c"}
    assert known.fan is not None
    done_s = next(span.from_s for span in curve.marks if span.name == "drain_done")
    assert known.fan.from_s == done_s
    pan = curve.trace("pan")
    assert pan is not None
    at_done = min(zip(pan.t_s, pan.values, strict=True), key=lambda point: abs(point[0] - done_s))[1]
    assert known.fan.from_kg == pytest.approx(at_done, abs=0.01)


def test_the_drawing_for_paper_lies_within_its_frame_with_target_inside_the_tolerance(
    engine: Recorded,
) -> None:
    still = drawing_of(engine, engine.record)
    assert still is not None
    for line in (still.pan, still.metered):
        points = [tuple(map(float, pair.split(","))) for pair in line.split()]
        assert len(points) > 20
        assert all(46 <= x <= WIDTH - 46 and 8 <= y <= HEIGHT - 26 for x, y in points)
    assert still.tolerance.y < still.target_y < still.tolerance.y + still.tolerance.height
    end_y = float(still.metered.split()[-1].split(",")[1])
    assert end_y == pytest.approx(still.target_y, abs=3)
    assert {bar.name for bar in still.stages} >= {"drain", "fill", "leak watch"}


@pytest.mark.parametrize(
    ("method", "name"), [("cover removed", "cure"), ("drain plug", "wait"), ("suction", "wait")]
)
def test_nothing_cures_where_no_cover_was_off(
    engine: Recorded, method: str, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engine, "spec", replace(engine.spec, method=method))
    still = drawing_of(engine, engine.record)
    assert still is not None
    assert [bar.name for bar in still.stages] == ["drain", "reseal", name, "fill", "settle", "leak watch"]


def test_a_job_without_a_readable_recording_has_no_curve() -> None:
    bare = FakeEngine()
    assert curve_of(bare, job_record()) is None
    assert drawing_of(bare, job_record()) is None


def test_the_vendored_library_is_the_one_that_was_looked_at() -> None:
    vendor: Path = HERE / "static" / "vendor"
    lines = (vendor / "SHA256SUMS").read_text().split("\n")
    sums = {name: digest for digest, _, name in (line.partition("  ") for line in lines if line)}
    assert set(sums) == {"uPlot.iife.min.js", "uPlot.min.css", "uPlot.LICENSE.txt"}
    for name, digest in sums.items():
        assert hashlib.sha256((vendor / name).read_bytes()).hexdigest() == digest, name
