"""Two pans: what falls into either counts once, each is told by its own name, and without the second nothing is as much as
asked for."""

import math
import random
from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from hardware.sample import Sample
from station.core import control, interlocks, second_pan
from station.core.replay import replay
from station.core.state import BayState, Hearing, with_hold
from station.core.step import step
from station.core.turn import Hold, Run
from station.errors import InputError
from station.figures import balance, weighed
from station.figures.sheet import text_sheet
from station.given import recording
from station.given.job import JobSpec, read_job, spec_from_tables
from station.given.lines import PanLine
from station.given.report import Report
from station.given.settings import Settings
from station.given.stages import Stage
from tests.golden import DATA

SECOND = PanLine(zero_count=-51_200, kg_per_count=2.381e-6, u_rel=0.0008, noise_counts=40.0)
ONE = read_job(DATA / "bus7_axle.toml")
TWO = replace(ONE, pan_b=SECOND)
DRAINED_KG, OVER_KG = 2.4, 0.06
OPENED_S, DONE_S, FILL_S, PLUG_S, CLOSE_S = 10.0, 100.0, 125.0, 190.0, 230.0
PER_S = 5

Load = Callable[[float], float]
"""Kilograms in a pan at a moment."""


def came_kg(t_s: float) -> float:
    """Out of the axle by then: a stream of half a minute, and a film that follows."""
    since_s = min(max(0.0, t_s - OPENED_S), DONE_S - OPENED_S)
    stream = DRAINED_KG * (1.0 - max(0.0, 1.0 - since_s / 30.0) ** 2)
    return stream + (0.02 * (1.0 - (1.0 + (since_s - 30.0) / 20.0) ** -0.5) if since_s > 30.0 else 0.0)


def over_kg(t_s: float) -> float:
    return OVER_KG * min(1.0, max(0.0, t_s - FILL_S - 40.0) / 15.0)


def played(spec: JobSpec, first: Load, second: Load | None, read_b: Load = lambda _: 1.0) -> Iterator[Sample]:
    """A job by hand, ``PER_S`` readings a second of each pan. read_b: 0.0 while the second is not plugged in."""
    draws = random.Random(11)
    marks = {0.5: "pan_placed", OPENED_S: "drain_open", DONE_S: "drain_done", DONE_S + 10.0: "reseal_done",
             FILL_S: "fill_start", PLUG_S: "plug_in", CLOSE_S: "close"}  # fmt: skip

    def count(line: PanLine, kg: float) -> int:
        return round(line.zero_count + kg / line.kg_per_count + draws.gauss(0.0, line.noise_counts))

    for n in range(round(PER_S * CLOSE_S) + 1):
        t_s = n / PER_S
        if t_s in marks:
            yield Sample(t_s, "mark", marks[t_s])
        yield Sample(t_s, "pan", count(spec.pan, 1.6 + first(t_s)))
        if second is not None and read_b(t_s):
            yield Sample(t_s, "pan_b", count(SECOND, 0.7 + second(t_s)))
        if n % PER_S == 0:
            yield Sample(t_s, "meter", round(402.5 * 2.6 * min(1.0, max(0.0, t_s - FILL_S) / 55.0)))
            for source, value_c in (("fluid_drained_c", 40.0), ("fluid_supply_c", 18.0), ("air_c", 18.0)):
                yield Sample(t_s, source, value_c)


def all_of(t_s: float) -> float:
    return came_kg(t_s) + over_kg(t_s)


def split(drain_share: float, over_share: float) -> tuple[Load, Load]:
    """Loads of the first and of the second pan, by what falls into the second."""
    return (
        lambda t_s: (1.0 - drain_share) * came_kg(t_s) + (1.0 - over_share) * over_kg(t_s),
        lambda t_s: drain_share * came_kg(t_s) + over_share * over_kg(t_s),
    )


def job(
    drain_share: float = 0.4,
    over_share: float = 1.0,
    more_b: Load = lambda _: 0.0,
    read_b: Load = lambda _: 1.0,
) -> BayState:
    first, second = split(drain_share, over_share)
    return replay(TWO, played(TWO, first, lambda t_s: second(t_s) + more_b(t_s), read_b))


def litres(kg: float, spec: JobSpec, fresh: bool = False) -> float:
    fluid = spec.fresh if fresh else spec.drained
    return kg * 1.0012 / fluid.density_kg_m3(20.0) * 1000.0  # and what the air carries of it


@pytest.fixture(scope="module")
def one_pan() -> Report:
    return balance.report(replay(ONE, played(ONE, all_of, None)))


@pytest.fixture(scope="module")
def two_pans() -> BayState:
    return job()


@settings(max_examples=3, deadline=None, derandomize=True)
@given(drain_share=st.floats(0.0, 1.0), over_share=st.floats(0.0, 1.0))
@example(0.0, 0.0)
@example(0.5, 0.5)
@example(1.0, 1.0)
def test_whatever_falls_where_the_sum_is_that_of_one_pan(
    one_pan: Report, drain_share: float, over_share: float
) -> None:
    state = job(drain_share, over_share)
    report = balance.report(state)
    assert not report.notices
    for name in ("drained", "overflow"):
        value, u95 = getattr(report, f"{name}_l"), getattr(report, f"{name}_u95_l")
        assert value == pytest.approx(getattr(one_pan, f"{name}_l"), abs=u95)
        parts = [getattr(pan, f"{name}_l") for pan in report.pans]
        assert value == pytest.approx(sum(parts), rel=1e-12)
    of_b = report.pans[1]
    assert of_b.drained_l == pytest.approx(litres(drain_share * came_kg(DONE_S), TWO), abs=0.012)
    assert of_b.overflow_l == pytest.approx(litres(over_share * OVER_KG, TWO, fresh=True), abs=0.012)
    assert report.still_to_come_l == pytest.approx(one_pan.still_to_come_l, abs=0.006)


def test_two_pans_share_their_fluid_and_nothing_else(two_pans: BayState) -> None:
    state = two_pans
    first, second = (weighed.drained_here(seen) for seen in second_pan.pans(state))
    both = weighed.drained(state)
    assert first is not None
    assert second is not None
    assert both is not None
    shared = sum(t.u for b in (first, second) for t in b.terms if t.name == "fluid density")
    alone = [t.u for b in (first, second) for t in b.terms if t.name not in ("fluid density", "air density")]
    expected = (shared**2 + sum(u * u for u in alone)) ** 0.5
    assert both.u == pytest.approx(expected, rel=1e-3)  # what the air does is a thousandth of it
    assert both.u < first.u + second.u


def test_a_bay_with_its_pans_swapped_twice_is_the_same(two_pans: BayState) -> None:
    assert second_pan.swapped(second_pan.swapped(two_pans)) == two_pans
    with pytest.raises(ValueError, match="one pan"):
        second_pan.swapped(BayState(ONE))


def test_the_drip_begins_when_the_last_stream_has_ended() -> None:
    def stage_at(at_s: float, first: Load, second: Load) -> Stage:
        state = BayState(TWO)
        for sample in played(TWO, first, second):
            if sample.t_s > at_s:
                break
            state, _ = step(state, sample)
        return state.stage

    late: Load = lambda t_s: 1.2 * min(1.0, max(0.0, t_s - 20.0) / 50.0)  # noqa: E731
    assert stage_at(60.0, came_kg, lambda _: 0.0) is Stage.DRIP
    assert stage_at(60.0, came_kg, late) is Stage.DRAIN
    assert stage_at(60.0, late, came_kg) is Stage.DRAIN
    assert stage_at(90.0, came_kg, late) is Stage.DRIP
    again: Load = lambda t_s: 1.2 * min(1.0, max(0.0, t_s - 65.0) / 30.0)  # noqa: E731
    assert stage_at(60.0, came_kg, again) is Stage.DRIP
    assert stage_at(80.0, came_kg, again) is Stage.DRAIN


def test_a_bolt_in_the_second_pan_is_told_by_its_name_and_can_be_answered(one_pan: Report) -> None:
    state = job(more_b=lambda t_s: 0.05 if t_s > 70.0 else 0.0)
    report = balance.report(state)
    assert report.drained_l == pytest.approx(one_pan.drained_l, abs=report.drained_u95_l)
    (told,) = report.notices
    assert told.kind == "object"
    assert told.text.startswith("Second pan: 50 g landed")
    assert "(b1)" in told.text
    (came,) = report.steps
    assert came.id == "b1"
    assert came.may_answer
    answered, _ = step(replace(state, stage=Stage.LEAK_WATCH), Sample(state.t_s, "answer", "b1:fluid"))
    now = weighed.drained(answered)
    assert now is not None
    assert now.value == pytest.approx((report.drained_l or 0.0) + litres(0.05, TWO), abs=0.003)


def test_a_knock_of_one_pan_is_not_the_others() -> None:
    def ring(t_s: float) -> float:
        since_s = t_s - 80.05
        return 1.5 * math.exp(-since_s / 0.5) * math.sin(8.2 * since_s) if since_s > 0 else 0.0

    report = balance.report(job(more_b=ring))
    assert [(n.kind, n.text) for n in report.notices] == [
        ("knock", "Second pan: The pan was knocked. Its reading is the same as before.")
    ]


def test_a_second_pan_that_falls_silent_in_the_drain_leaves_the_first_and_is_told() -> None:
    state = job(read_b=lambda t_s: float(t_s < 25.0))
    report = balance.report(state)
    kinds = [n.kind for n in report.notices]
    assert "silent" in kinds
    assert "pan_lost" in kinds
    lost = next(n.text for n in report.notices if n.kind == "pan_lost")
    assert lost.startswith("Second pan: it was not read any more when the drained figure was taken.")
    first, second = report.pans
    assert first.drained_l == pytest.approx(litres(0.6 * came_kg(DONE_S), TWO), abs=0.012)
    # a quarter of its stream was still to come, and the doubt reaches past all of it
    missing_l = litres(0.4 * came_kg(DONE_S), TWO) - (second.drained_l or 0.0)
    assert 0.2 < missing_l < (second.drained_u95_l or 0.0)


def test_a_second_pan_that_never_speaks_is_missed() -> None:
    report = balance.report(job(read_b=lambda _: 0.0))
    missed = [n.text for n in report.notices if n.kind == "missing_source"]
    assert missed == ["Second pan: no reading in this job; what came into it is in no figure."]
    assert report.pans[1].drained_l is None
    assert report.drained_l == report.pans[0].drained_l


def test_readings_of_a_second_pan_without_its_line_are_told_once() -> None:
    state = replay(ONE, played(TWO, *split(0.4, 1.0)))
    assert [n.text for n in state.telling.notices if n.kind == "pan_b_unknown"] == [
        "Second pan: it was read, and the job has no line for it: what came into it is in no figure. "
        "Add its [pan_b] table to the job."
    ]


def test_a_second_pan_that_is_nearly_full_is_told_before_it_runs_over() -> None:
    state = BayState(TWO, Settings(pan_b_room_l=1.15))
    for sample in played(TWO, *split(0.4, 1.0)):
        state, _ = step(state, sample)
    told = [n for n in state.telling.notices if n.kind.endswith("nearly_full")]
    assert [n.kind for n in told] == ["pan_b_nearly_full"]
    assert told[0].text.startswith("Second pan: The pan holds")
    assert not told[0].stops
    assert told[0].t_s < DONE_S


def test_a_mark_that_was_a_slip_gives_both_pans_back() -> None:
    state = BayState(TWO)
    for sample in played(TWO, *split(0.4, 1.0)):
        if sample.t_s > 80.0:
            break
        state, _ = step(state, sample)
    slipped, _ = step(state, Sample(80.0, "mark", "drain_done"))
    assert slipped.other.drain.taken is not None
    back, _ = step(slipped, Sample(80.0, "mark", "take_back"))
    assert back.other.drain == state.other.drain
    assert back.stage is Stage.DRIP
    for n in range(1, 50):  # something runs into the second pan: too late
        count = round(SECOND.zero_count + (0.7 + 0.4 * came_kg(80.0) + 0.001 * n) / SECOND.kg_per_count)
        slipped, _ = step(slipped, Sample(80.0 + n / PER_S, "pan_b", count + n % 3))
    late, _ = step(slipped, Sample(91.0, "mark", "take_back"))
    assert late.other.drain.taken is not None
    assert late.telling.notices[-1].kind == "not_taken_back"


def test_a_recording_with_two_pans_gives_every_digit_again(two_pans: BayState) -> None:
    samples = list(played(TWO, *split(0.4, 1.0)))
    spec = spec_from_tables(TWO.to_table(), "job.toml")
    assert spec == TWO
    text = recording.write(samples)
    again = balance.report(replay(spec, recording.parse(text.splitlines(), "job.csv")))
    assert again == balance.report(two_pans)
    assert Report.read(again.to_dict()) == again
    sheet = text_sheet(again, {})
    assert sheet.count("in the second pan") == 2


def test_a_count_of_the_second_pan_is_checked_as_the_first_ones() -> None:
    with pytest.raises(InputError, match=r"pan_b is 8388608, expected a signed 24-bit count"):
        list(recording.parse(["t_s,source,value", "0.0,pan_b,8388608"], "job.csv"))
    with pytest.raises(InputError, match=r"\[pan_b\] kg_per_count"):
        spec_from_tables({**TWO.to_table(), "pan_b": {**SECOND.to_table(), "kg_per_count": -1.0}}, "job.toml")


def test_the_pump_waits_for_a_second_pan_as_for_the_first() -> None:
    heard = dict.fromkeys(("pan", "meter", "fluid_supply_c"), 0.0)
    state = replace(BayState(TWO), stage=Stage.FILL, hearing=Hearing(last_t_s=heard))
    assert control.blocked(state) == "no reading yet: Second pan"
    assert control.blocked(replace(state, spec=ONE)) is None
    read = replace(state, hearing=Hearing(last_t_s={**heard, "pan_b": 0.0}, silent=frozenset({"pan_b"})))
    assert control.blocked(read) == "no signal: Second pan"


def test_what_runs_over_into_the_second_pan_stops_the_pump() -> None:
    state = BayState(TWO)
    for sample in played(TWO, *split(0.4, 1.0)):
        if sample.t_s > 179.5:
            break
        state, _ = step(state, sample)
    base = state.other.base
    assert state.fill.base is not None
    assert base is not None
    run = Run(FILL_S, 0.0, 900.0, pan_kg=state.fill.base.kg, pan_b_kg=base.kg)
    found = interlocks.stops_run(with_hold(state, Hold(running_since_t_s=FILL_S, run=run)))
    assert found is not None
    assert found[0] == "runs_over"
    assert found[1].startswith("Second pan: 6")
