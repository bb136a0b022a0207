"""Fluid that went past the meter while the station was stopped is in no figure, so none of them decides alone."""

import pytest

from hardware.sample import Sample
from station.core import interruption
from station.core.replay import replay
from station.figures import balance
from station.figures.sheet import text_sheet
from station.given import recording
from station.given.job import read_job
from station.given.report import Report
from station.record.rows import job_row
from tests.station.core.test_replay import CSV, JOB

DURING_FILL_S, LEVEL_SEEN_S, AFTER_S = 160.0, 212.0, 213.0


def report(*told: tuple[float, str]) -> Report:
    """The hand-written job, full with its level seen, with the question and its answers at these moments."""
    samples = list(recording.read(CSV))
    for t_s, value in told:
        at = next(k for k, sample in enumerate(samples) if sample.t_s > t_s)
        samples.insert(at, Sample(t_s, interruption.SOURCE, value))
    return balance.report(replay(read_job(JOB), samples))


def asked_and_said(t_s: float, *, moved: bool = False, filled: bool = False) -> Report:
    return report((t_s, interruption.ASKED), (t_s + 0.1, interruption.answer(moved, filled)))


@pytest.mark.parametrize(("moved", "filled"), [(False, True), (True, True), (True, False)])
def test_what_went_past_the_meter_leaves_it_undecided_on_page_and_sheet(moved: bool, filled: bool) -> None:
    got = asked_and_said(AFTER_S, moved=moved, filled=filled)
    assert (got.verdict, got.p_within) == ("undecided", None)
    assert "past the meter" in str(got.verdict_text)
    assert got.to_dict()["unproved"] is True
    assert got.proved_fill_l is None
    sheet = text_sheet(got, {})
    assert "UNDECIDED" in sheet
    assert "past the meter" in sheet


def test_the_level_seen_afterwards_settles_it_and_nothing_is_learned_from_its_volume() -> None:
    got = asked_and_said(DURING_FILL_S, filled=True)
    assert got.verdict == "full"
    assert got.verdict_text == "full by the level; what went past the meter is in no figure"
    assert got.proved_fill_l is None
    assert got.level_seen is True
    assert job_row("j", "", "", {}, got).level_seen == 0
    assert job_row("j", "", "", {}, report()).level_seen == 1


def test_an_open_question_decides_nothing_even_where_the_level_was_seen() -> None:
    got = report((DURING_FILL_S, interruption.ASKED))
    assert got.verdict == "undecided"
    assert "say first" in str(got.verdict_text)


def test_a_second_stop_takes_back_nothing_of_the_first() -> None:
    undisturbed = interruption.answer(False, False)
    filled = interruption.answer(False, True)
    t_s, ask = AFTER_S, interruption.ASKED
    got = report((t_s, ask), (t_s + 0.1, filled), (t_s + 0.2, ask), (t_s + 0.3, undisturbed))
    assert got.verdict == "undecided"


def test_an_undisturbed_stop_leaves_the_verdict_as_it_was() -> None:
    got = asked_and_said(AFTER_S)
    assert got.verdict == report().verdict == "full"
    assert "unproved" not in got.to_dict()


def test_a_pan_moved_in_the_drain_leaves_nothing_to_rely_on_of_what_came_out() -> None:
    """Told not to rely on it, the verdict did: what came out stood among the witnesses, good to a hundredth."""
    got = asked_and_said(60.0, moved=True)
    assert (got.drained_l, got.drained_u95_l) == (None, None)
    assert "drained" not in [witness.name for witness in got.witnesses]
    assert got.verdict == "undecided", "one witness less, and nobody laid a spirit level"
    assert "spirit level" in str(got.verdict_text)
    assert asked_and_said(125.0, moved=True).drained_l == report().drained_l, "it was weighed before"


def test_a_pan_moved_before_the_fill_began_is_no_matter_of_the_filled_volume() -> None:
    assert "unproved" not in asked_and_said(120.0, moved=True).to_dict()
