"""A mark set by mistake is taken back by an event; what is measured is as if it had not been set, and never otherwise."""

from collections.abc import Sequence
from pathlib import Path

import pytest

from hardware.sample import Sample
from station.bay import checklist
from station.core import interruption, take_back
from station.core.limits import LIMITS
from station.core.replay import replay
from station.core.state import BayState
from station.core.step import LedgerEvent, step
from station.figures import balance
from station.given import recording
from station.given.job import read_job
from station.given.said import Mark
from station.given.stages import Stage
from station.record.curve import recording as sorted_recording
from tests.station.bay.fake_rig import FORM, engine_on

DATA = Path(__file__).parents[2] / "data"
SPEC = read_job(DATA / "bus7_axle.toml")
WHOLE = recording.read(DATA / "bus7_axle.csv")
COUNT_KG = SPEC.pan.kg_per_count


def mark(t_s: float, word: str) -> Sample:
    return Sample(t_s, "mark", word)


def among(*slips: Sample) -> list[Sample]:
    """The recording with slips in it. At the same moment a slip comes last."""
    return sorted([*WHOLE, *slips], key=lambda sample: sample.t_s)


def until(t_s: float, *more: Sample) -> BayState:
    state = BayState(SPEC)
    for sample in (*(s for s in WHOLE if s.t_s <= t_s), *more):
        state, _ = step(state, sample)
    return state


SLIPS = {
    "a double tap on pan placed": (Mark.DRAIN_OPEN, 1.2, 5.0),
    "drained figure too early": (Mark.DRAIN_DONE, 100.0, 104.0),
    "solvent in the drip": (Mark.FLUSH, 100.0, 104.0),
    "fill before its time": (Mark.FILL_START, 132.0, 140.0),
    "fill done twice": (Mark.PLUG_IN, 199.0, 205.0),
}


@pytest.mark.parametrize(("word", "set_s", "back_s"), SLIPS.values(), ids=SLIPS.keys())
def test_a_slip_taken_back_changes_no_figure(word: Mark, set_s: float, back_s: float) -> None:
    right = balance.report(replay(SPEC, WHOLE))
    slipped = replay(SPEC, among(mark(set_s, word), mark(back_s, Mark.TAKE_BACK)))
    assert [name for name, _ in slipped.said.taken_back] == [word]
    found = balance.report(slipped)
    for name in ("drained_l", "metered_l", "overflow_l", "filled_l", "filled_u95_l"):
        assert getattr(found, name) == pytest.approx(getattr(right, name), rel=2e-4), name
    for name in ("verdict", "level_seen", "topped_up", "stage"):
        assert getattr(found, name) == getattr(right, name), name
    offered_once = [s for s in among(mark(set_s, word)) if s.value != word or s.t_s <= set_s]
    assert balance.report(replay(SPEC, offered_once)) != found, "the slip would have been felt"


def test_a_recording_with_a_slip_is_written_read_and_computed_again_to_the_last_digit() -> None:
    samples = among(mark(100.0, Mark.DRAIN_DONE), mark(104.0, Mark.TAKE_BACK))
    again = list(recording.parse(recording.write(samples).splitlines(), "again"))
    assert balance.report(replay(SPEC, again)) == balance.report(replay(SPEC, samples))
    assert [name for _, name in sorted_recording(samples).marks] == [
        str(sample.value) for sample in WHOLE if sample.source == "mark"
    ]


def test_it_is_an_event_and_the_stage_is_what_it_was() -> None:
    state = until(100.0, mark(100.5, Mark.DRAIN_DONE))
    after, effects = step(state, mark(101.0, Mark.TAKE_BACK))
    assert LedgerEvent("taken_back", 101.0, "drain_done") in effects
    assert (after.stage, after.stage_t_s) == (until(100.0).stage, until(100.0).stage_t_s)
    assert after.drain.marked is None
    assert take_back.may_be(after) is None, "one mark back, and no further"


def moved(state: BayState, by_kg: float, from_s: float) -> BayState:
    """The pan gains so much, slowly, as a drip does."""
    last = state.weighing.pan.window[-1][1]
    for n in range(120):
        count = round(SPEC.pan.zero_count + (last + by_kg * n / 119) / COUNT_KG)
        state, _ = step(state, Sample(from_s + 0.5 * n, "pan", count))
    return state


@pytest.mark.parametrize(("share", "may"), [(0.7, True), (1.3, False)])
def test_it_may_not_be_once_the_pan_has_gained_more_than_a_drip(share: float, may: bool) -> None:
    state = until(100.0, mark(100.5, Mark.DRAIN_DONE))
    gained = moved(state, share * LIMITS.take_back_kg, 101.0)
    assert (take_back.may_be(gained) == Mark.DRAIN_DONE) is may
    back, effects = step(gained, mark(170.0, Mark.TAKE_BACK))
    assert (back.stage is gained.stage) is not may
    assert any(getattr(e, "kind", "") == "not_taken_back" for e in effects) is not may


LATE: dict[str, tuple[float, Sequence[Sample]]] = {
    "the stream has been seen": (60.0, ()),
    "the pump runs": (150.0, (Sample(150.5, "pump", 1),)),
    "the meter has counted": (150.0, (Sample(150.5, "meter", 1),)),
    "a top-up was asked for": (198.0, (Sample(198.5, "top_up", 0.05),)),
    "the station was stopped": (198.0, (Sample(198.5, interruption.SOURCE, interruption.ASKED),)),
    "the job is closed": (226.0, ()),
}


@pytest.mark.parametrize(("until_s", "more"), LATE.values(), ids=LATE.keys())
def test_it_may_not_be_once_something_rests_on_the_mark(until_s: float, more: Sequence[Sample]) -> None:
    if more:
        assert take_back.may_be(until(until_s)) is not None
    state = until(until_s, *more)
    assert take_back.may_be(state) is None
    assert Mark.TAKE_BACK not in {one.mark for one in checklist.next_marks(state, frozenset())}
    after, _ = step(state, mark(state.t_s + 0.1, Mark.TAKE_BACK))
    assert after.stage is state.stage
    assert after.said.marks == state.said.marks


def test_a_fill_taken_back_holds_the_pump_off_whoever_holds() -> None:
    state = until(150.0)
    state, _ = step(state, mark(150.1, Mark.TAKE_BACK))
    for n in range(20):
        state, effects = step(state, Sample(150.2 + 0.1 * n, "hold", 1))
        assert not state.pump.hold.running
        assert not any(getattr(effect, "run", False) for effect in effects)


def test_at_the_bay_it_is_offered_done_and_kept(tmp_path: Path) -> None:
    engine, _ = engine_on(tmp_path)
    try:
        job_id = engine.open_job(FORM)
        engine.mark(Mark.PAN_PLACED)
        for item in checklist.ITEMS[Stage.PLAN]:
            engine.check(item.key, True)
        engine.mark(Mark.DRAIN_OPEN)
        offered = {one.mark: one.label for one in engine.view().next_marks}
        assert offered[Mark.TAKE_BACK] == "Take back: Drain opened"
        engine.mark(Mark.TAKE_BACK)
        assert engine.view().stage == "plan"
        assert engine.job(job_id).texts("taken_back") == ["drain_open"]
        assert engine.job(job_id).texts("mark") == ["pan_placed", "drain_open"], "nothing is deleted"
        engine.mark(Mark.DRAIN_OPEN)
        assert engine.view().stage == "drain"
    finally:
        engine.close()
