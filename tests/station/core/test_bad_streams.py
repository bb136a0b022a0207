"""Broken streams: each is named, and none moves a figure without a notice."""

from collections.abc import Callable
from typing import Any

import pytest

from hardware.sample import Sample
from hardware.serial_devices import COUNTER_SPAN, CounterLines, meter_line
from station.core.replay import replay
from station.errors import InputError
from station.figures import balance
from station.given import recording
from station.rehearsing.rehearse import Rehearsal
from tests.rehearsed import short_job

Rows = list[Sample]


@pytest.fixture(scope="module")
def good() -> Rehearsal:
    return short_job(4)


def marked(rows: Rows, mark: str) -> float:
    return next(s.t_s for s in rows if s.source == "mark" and s.value == mark)


def spoil(good: Rehearsal, change: Callable[[Sample], Sample | None]) -> dict[str, Any]:
    rows = [s for s in map(change, good.samples) if s is not None]
    return balance.report(replay(good.state.spec, rows)).to_dict()


def kinds(report: dict[str, Any]) -> list[str]:
    return [n["kind"] for n in report["notices"]]


def same(report: dict[str, Any], good: Rehearsal, figure: str = "drained_l", within_l: float = 0.001) -> bool:
    return bool(abs(report[figure] - good.report().to_dict()[figure]) < within_l)


@pytest.mark.parametrize("bad", ["nan", "inf", "12.5", "", "8388608", "-8388609"])
def test_a_count_that_is_none_is_refused_with_its_line(bad: str) -> None:
    with pytest.raises(InputError, match="line 2"):
        list(recording.parse(["t_s,source,value", f"0.0,pan,{bad}"], "bad.csv"))


@pytest.mark.parametrize("end", [8388607, -8388608])
def test_saturation_is_named_and_left_out(good: Rehearsal, end: int) -> None:
    at_s = marked(list(good.samples), "drain_done") - 100.0
    report = spoil(
        good, lambda s: s._replace(value=end) if s.source == "pan" and at_s <= s.t_s < at_s + 3.0 else s
    )
    assert kinds(report) == ["saturated"]
    assert same(report, good)


def test_a_stuck_count_is_named_within_a_second(good: Rehearsal) -> None:
    at_s = marked(list(good.samples), "drain_done") - 100.0
    stuck = next(s.value for s in good.samples if s.source == "pan" and s.t_s >= at_s)
    report = spoil(
        good, lambda s: s._replace(value=stuck) if s.source == "pan" and at_s <= s.t_s < at_s + 20.0 else s
    )
    told = [n for n in report["notices"] if n["kind"] == "stuck"]
    assert len(told) == 1
    assert 0.3 <= told[0]["t_s"] - at_s < 1.0
    assert same(report, good)


def test_a_live_cell_is_never_called_stuck(good: Rehearsal) -> None:
    assert "stuck" not in kinds(good.report().to_dict())


@pytest.mark.parametrize(
    "slip", [lambda c: c ^ (1 << 15), lambda c: c * 2, lambda c: c // 2, lambda c: c + (1 << 20)]
)
def test_a_lost_clock_bit_is_named_and_left_out(good: Rehearsal, slip: Callable[[int], int]) -> None:
    """In bulk flow, before the drained figure is taken and before the fill's base is."""
    hits = []
    for stage, after_s in (("drain_open", 20.0), ("drain_done", -2.0), ("fill_start", -2.0)):
        at_s = marked(list(good.samples), stage) + after_s
        hits.append(next(s for s in good.samples if s.source == "pan" and s.t_s >= at_s))
    report = spoil(good, lambda s: s._replace(value=slip(int(s.value))) if any(s is h for h in hits) else s)
    assert kinds(report) == ["bit_lost"] * 3
    assert same(report, good)
    assert same(report, good, "overflow_l")


def test_many_lost_bits_move_no_figure(good: Rehearsal) -> None:
    n = 0

    def slip(s: Sample) -> Sample:
        nonlocal n
        if s.source != "pan":
            return s
        n += 1
        return s._replace(value=int(s.value) ^ (1 << 17)) if n % 97 == 0 else s

    report = spoil(good, slip)
    assert set(kinds(report)) == {"bit_lost"}
    assert same(report, good)
    assert same(report, good, "filled_l")


@pytest.mark.parametrize("source", ["pan", "meter"])
def test_a_gap_is_named(good: Rehearsal, source: str) -> None:
    at_s = marked(list(good.samples), "drain_done") - 60.0
    report = spoil(good, lambda s: None if s.source == source and at_s <= s.t_s < at_s + 20.0 else s)
    assert "gap" in kinds(report)
    assert same(report, good, within_l=0.002)


def test_a_gap_in_bulk_flow_joins_both_sides(good: Rehearsal) -> None:
    at_s = marked(list(good.samples), "drain_open") + 15.0
    report = spoil(good, lambda s: None if s.source == "pan" and at_s <= s.t_s < at_s + 10.0 else s)
    assert "gap" in kinds(report)
    assert same(report, good)


def test_a_pan_that_stays_away_from_bulk_flow_on_is_not_carried_on_along_its_line(good: Rehearsal) -> None:
    """It would have drained ten axles' worth by the end of the job, good to a hundredth."""
    at_s = marked(list(good.samples), "drain_open") + 15.0
    report = spoil(good, lambda s: None if s.source == "pan" and s.t_s >= at_s else s)
    missing_l = good.report().to_dict()["drained_l"] - report["drained_l"]
    assert 0.3 < missing_l < report["drained_u95_l"], "what had come by then, and the rest is doubt"


def test_a_pan_that_is_away_as_the_figure_is_taken_says_so(good: Rehearsal) -> None:
    at_s = marked(list(good.samples), "drain_done")
    report = spoil(good, lambda s: None if s.source == "pan" and at_s - 5.0 <= s.t_s < at_s + 5.0 else s)
    assert "pan_lost" in kinds(report)
    assert same(report, good)


def test_two_sources_at_different_rates_give_the_same_figures(good: Rehearsal) -> None:
    """Every second reading of the pan, every fifth of the meter: 5 and 4 a second."""
    seen = {"pan": 0, "meter": 0}

    def thin(s: Sample) -> Sample | None:
        if s.source not in seen:
            return s
        seen[s.source] += 1
        return s if seen[s.source] % {"pan": 2, "meter": 5}[s.source] == 0 else None

    report = spoil(good, thin)
    assert kinds(report) == []
    assert same(report, good)
    assert same(report, good, "filled_l", 0.003)


def test_time_that_runs_backwards_is_named_and_left_out(good: Rehearsal) -> None:
    rows = list(good.samples)
    i = len(rows) // 2
    rows.insert(i, Sample(rows[i].t_s - 5.0, "pan", 0))
    report = balance.report(replay(good.state.spec, rows)).to_dict()
    assert kinds(report) == ["time_backwards"]
    assert same(report, good)


def test_a_serial_counters_roll_over_moves_no_figure_and_its_restart_is_named(good: Rehearsal) -> None:
    def over_a_line(restart_at: int | None) -> Callable[[Sample], Sample | None]:
        lines = CounterLines()

        def send(s: Sample) -> Sample | None:
            if s.source != "meter":
                return s
            pulses = int(s.value)
            began_anew = restart_at is not None and pulses >= restart_at
            count = lines.read(
                meter_line(pulses - (restart_at or 0) if began_anew else pulses + COUNTER_SPAN - 300)
            )
            return None if count is None else s._replace(value=count)

        return send

    rolled = spoil(good, over_a_line(None))
    assert "meter_reset" not in kinds(rolled)
    assert same(rolled, good, "metered_l", 1e-9)
    restarted = spoil(good, over_a_line(600))
    assert kinds(restarted).count("meter_reset") == 1
    assert same(restarted, good, "metered_l", 0.05), "what was counted on both sides stays"
