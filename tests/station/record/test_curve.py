"""A recording as curves: thinned without losing a peak, exact where few enough samples are asked for."""

from dataclasses import replace

import numpy as np
import pytest

from hardware.sample import Sample
from station.given.lines import MeterLine, PanLine
from station.record.curve import Trace, curve, recording
from tests.rehearsed import short_job

PAN = PanLine(zero_count=1000, kg_per_count=0.001, u_rel=0.0005, noise_counts=25)
METER = MeterLine(k_factor_per_l=400.0, u_rel=0.0015)


def trace(found: Trace | None) -> Trace:
    assert found is not None
    return found


def knocked(n: int = 50_000) -> list[Sample]:
    """A pan at 1 kg that is knocked once, for one sample, and lifted once."""
    counts = np.full(n, 2000)
    counts[n // 3], counts[n // 2] = 9000, 500
    return [Sample(100.0 + 0.1 * k, "pan", int(count)) for k, count in enumerate(counts)]


def test_thinning_keeps_a_knock_of_one_sample() -> None:
    rec = recording(knocked())
    thinned = trace(curve(rec, PAN, METER, None, points=200).trace("pan"))
    assert not thinned.exact
    assert len(thinned.values) <= 402
    assert (max(thinned.values), min(thinned.values)) == (8.0, -0.5)
    assert thinned.t_s[thinned.values.index(8.0)] == pytest.approx(50_000 // 3 * 0.1)
    assert list(thinned.t_s) == sorted(thinned.t_s)


def test_a_narrow_window_comes_whole_with_one_sample_more_on_either_side() -> None:
    rec = recording(knocked())
    near = trace(curve(rec, PAN, METER, None, (1660.0, 1670.0), points=200).trace("pan"))
    assert near.exact
    assert len(near.t_s) == 103
    assert (near.t_s[0], near.t_s[-1]) == pytest.approx((1659.9, 1670.1))


def test_the_metered_curve_ends_at_the_reports_figure() -> None:
    rehearsal = short_job(3)
    report, spec = rehearsal.report().to_dict(), rehearsal.state.spec
    found = curve(recording(rehearsal.samples), spec.pan, spec.meter, report["metered_l"], points=5000)
    metered, flow = trace(found.trace("metered")), trace(found.trace("flow"))
    assert metered.values[-1] == pytest.approx(report["metered_l"], abs=1e-5)
    assert metered.values[0] == 0.0
    assert list(metered.values) == sorted(metered.values)
    gained_l = sum(flow.values) * 2.0 / 60.0
    assert gained_l == pytest.approx(report["metered_l"], rel=0.01)
    assert [span.name for span in found.pump] == ["pump"] * len(report["pump_runs"])
    begun = next(span for span in found.marks if span.name == "fill_start")
    assert found.pump[0].from_s >= begun.from_s


def test_a_recording_without_a_fill_or_with_words_for_numbers_has_no_metered_curve() -> None:
    rec = recording(
        [
            *knocked(10),
            Sample(200.0, "pan", "torn"),
            Sample(201.0, "meter", 4),
            Sample(202.0, "mark", "close"),
        ]
    )
    found = curve(rec, PAN, METER, None)
    assert [one.name for one in found.traces] == ["pan"]
    assert len(trace(found.trace("pan")).values) == 10
    assert found.whole_s == 102.0
    assert curve(recording([]), PAN, METER, None).traces == ()


def test_a_second_pan_has_a_trace_by_its_own_line() -> None:
    rec = recording([Sample(n / 10.0, "pan_b", 1000 + 10 * n) for n in range(20)])
    assert curve(rec, PAN, METER, None).trace("pan_b") is None
    second = replace(PAN, zero_count=1000.0, kg_per_count=2e-6)
    assert trace(curve(rec, PAN, METER, None, pan_b=second).trace("pan_b")).values[-1] == pytest.approx(
        190 * 2e-6
    )
