"""One sentence for each job that is not plainly full: what happened, in order of weight, and who does what next."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from station.given.pump_run import PumpRun
from station.given.report import Report, Spoke
from station.learning.reason import Outcome, needs_words, of_jobs, of_report, reason, said
from station.record.ledger import job_row, now
from station.record.recorder import Recorder
from tests.rehearsed import short_job
from tests.station.shop_rows import shop

FULL = Outcome(
    stage="closed",
    verdict="full",
    filled_l=2.86,
    filled_u95_l=0.011,
    expected_fill_l=2.87,
    expected_fill_u95_l=0.029,
    tolerance_minus_l=0.1,
    tolerance_plus_l=0.1,
    drained_l=2.62,
    drained_u95_l=0.006,
    level_seen=True,
    topped_up=False,
    leak_found=False,
    leak_text="No leak above 14 mL/h.",
    leak_watched_s=181.0,
    leak_watch_s=180.0,
    pump_runs=(PumpRun(900.0, 2.85, 2.87, 2.87, "target reached"),),
)
SHORT = replace(
    FULL,
    verdict="short",
    filled_l=1.92,
    level_seen=False,
    leak_watched_s=4.0,
    pump_runs=(PumpRun(900.0, 1.90, 1.92, 2.87, "let go"),),
)


def text(outcome: Outcome) -> str:
    found = reason(outcome)
    assert found is not None
    return found.text


def test_a_plainly_full_job_needs_no_sentence() -> None:
    assert reason(FULL) is None
    assert not needs_words(FULL)


def test_a_fill_that_was_let_go_short_says_all_that_was_left_out_and_what_to_do() -> None:
    assert text(SHORT) == (
        "Stopped by hand 0.95 L before the target, not topped up, level not seen, leak watch ended after 4 s: "
        "top up before the vehicle leaves."
    )
    found = reason(SHORT)
    assert found is not None
    assert (found.kind, found.who, found.grave) == ("short", "technician", True)


def test_each_part_is_said_only_where_it_is_so() -> None:
    seen = text(replace(SHORT, level_seen=True, leak_watched_s=200.0, topped_up=True))
    assert seen == "Stopped by hand 0.95 L before the target: top up before the vehicle leaves."
    assert "no leak watch" in text(replace(SHORT, leak_watched_s=None))
    assert "leak watch" not in text(replace(SHORT, leak_watch_s=None, leak_watched_s=None))
    assert "topped up" not in text(replace(SHORT, topped_up=None))


def test_what_is_missing_is_said_with_its_doubt_where_the_pumps_stop_does_not_tell_it() -> None:
    ran_over = replace(
        SHORT,
        overflow_l=0.25,
        overflow_u95_l=0.004,
        pump_runs=(PumpRun(900.0, 2.85, 2.87, 2.87, "target reached"),),
    )
    assert text(ran_over).startswith(
        "0.950 ± 0.032 L missing, the pump reached its target, not topped up, 0.250 ± 0.004 L ran over into the pan"
    )


def test_the_gravest_thing_leads() -> None:
    wrong = replace(SHORT, wrong_fill="another grade than the listed one", verdict="undecided")
    assert text(wrong).endswith("has to come out again before the vehicle leaves.")
    leaking = replace(SHORT, leak_found=True, leak_text="Leak of 120 ± 30 mL/h.")
    assert "leak of 120 ± 30 mL/h" in text(leaking)
    assert text(leaking).endswith("find the leak and top up before the vehicle leaves.")
    either = "Either something in the pan stopped drying, or up to 210 mL/h leak."
    for less in (SHORT, replace(FULL, verdict="undecided")):
        assert "either something in the pan stopped drying" in text(
            replace(less, leak_unsure=True, leak_text=either)
        )
    unsure = reason(replace(FULL, level_seen=True, leak_unsure=True, leak_text=either))
    assert unsure is not None
    assert unsure.text == (
        "Either something in the pan stopped drying, or up to 210 mL/h leak: wipe the joints dry and look for drips before the "
        "vehicle leaves."
    )
    assert not unsure.grave
    full = replace(FULL, leak_found=True, leak_text="Leak of 120 ± 30 mL/h.")
    assert text(full) == "Leak of 120 ± 30 mL/h into the pan: find the leak before the vehicle leaves."


def test_the_other_endings() -> None:
    empty = replace(FULL, filled_l=None, filled_u95_l=None, verdict=None)
    assert text(empty) == "2.620 ± 0.006 L drained, nothing filled: fill before the vehicle moves."
    assert text(replace(FULL, verdict="over", filled_l=3.07)).startswith(
        "0.200 ± 0.032 L more than expected: "
    )
    unsure = text(replace(FULL, verdict="undecided", filled_l=2.78, level_seen=False, pump_runs=()))
    assert unsure.startswith("Undecided at 0.090 ± 0.032 L below the expected fill, level not seen: ")
    assert text(replace(FULL, level_seen=False)) == (
        "Full by its volume, level not seen: look at the level at the plug when the vehicle is next in."
    )


def test_a_job_given_up_says_what_state_the_vehicle_is_in() -> None:
    given_up = replace(FULL, stage="abandoned", filled_l=None, verdict=None, said="seized plug")
    assert text(given_up) == (
        "Given up (seized plug), 2.620 ± 0.006 L drained, nothing filled: fill it before the vehicle moves."
    )
    untouched = replace(given_up, drained_l=None)
    assert text(untouched) == "Given up (seized plug): nothing was drained or filled, plan it again."
    assert not reason(untouched).grave  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("changes", "asks"),
    [
        ({}, True),
        ({"verdict": "over"}, True),
        ({"verdict": "undecided"}, False),
        ({"verdict": "full"}, False),
    ],
)
def test_closing_needs_words_where_the_vehicle_should_not_leave_so(
    changes: dict[str, Any], asks: bool
) -> None:
    assert needs_words(replace(SHORT, **changes)) is asks


@pytest.mark.parametrize(
    ("lip", "meter", "p_meter", "asks"),
    [
        ("full", "full", 0.9, False),
        ("full", "undecided", 0.6, False),
        ("full", "short", 0.6, True),
        ("full", "undecided", 0.4, True),
    ],
)
def test_an_undecided_fill_whose_witnesses_contradict_each_other_is_not_closed_without_a_word(
    lip: str, meter: str, p_meter: float, asks: bool
) -> None:
    heard = (Spoke("lip", 2.87, 0.02, lip, 0.95, ""), Spoke("meter", 2.73, 0.01, meter, p_meter, ""))
    outcome = replace(FULL, verdict="undecided", filled_l=2.73, witnesses=heard)
    assert needs_words(outcome) is asks
    assert ("the witnesses contradict each other" in text(outcome)) is asks
    assert not needs_words(replace(outcome, verdict="full"))


def test_nothing_is_said_before_there_is_something_to_judge() -> None:
    for stage in ("plan", "drain", "drip", "reseal", "fill"):
        assert reason(replace(SHORT, stage=stage)) is None
    settling = text(replace(SHORT, stage="settle"))
    assert "leak watch" not in settling
    assert settling.startswith("Stopped by hand 0.95 L before the target")


def test_the_words_that_were_typed_are_found_and_said() -> None:
    torque = ("note", "torque: 42 N·m")
    assert said([torque, ("note", "closed as it is: waiting for fluid")], "closed") == "waiting for fluid"
    assert said([torque], "closed") == ""
    assert said([("abandoned", "seized plug. "), ("note", "remark: x")], "abandoned") == "seized plug", (
        "the sentence goes on behind it"
    )
    assert said([("note", "capacity: drained elsewhere")], "abandoned") == "", (
        "nobody gave up what a restart ended, and a note on something else was told as the reason"
    )
    assert "reason given: waiting for fluid" in text(replace(SHORT, said="waiting for fluid"))


def test_a_whole_record_tells_it_and_a_bare_row_tells_what_it_has(tmp_path: Path) -> None:
    full = short_job(3).report()
    assert full.filled_l is not None
    report = replace(full, verdict="short", filled_l=full.filled_l - 0.5, level_seen=False)
    recorder = Recorder(tmp_path / "l.sqlite", lambda text: None)
    row = job_row("a1", "2026-03-10T08:00:00+00:00", "2026-03-10T09:00:00+00:00", {}, report, None)
    recorder.event("a1", "note", {"text": "closed as it is: drum empty"}, now(0.0))
    recorder.result("a1", report, row, now(1.0))
    recorder.close()
    ledger = shop(tmp_path / "l.sqlite", {"verdict": "short", "filled_l": 2.4, "level_seen": 0})
    found = of_jobs(ledger, ["a1", "j2", "unknown"])
    ledger.close()
    assert set(found) == {"a1", "j2"}
    assert "reason given: drum empty" in found["a1"].text
    assert found["j2"].text == "0.470 ± 0.033 L missing, level not seen: top up before the vehicle leaves."


def test_a_report_from_before_the_runs_were_kept_can_still_be_told() -> None:
    contract = (
        "stage verdict drained_l drained_u95_l metered_l overflow_l filled_l filled_u95_l expected_fill_l "
        "tolerance_minus_l listed_capacity_l reference_temperature_c"
    )
    known = {**short_job(3).report().to_dict(), **vars(SHORT)}
    report = Report.read({name: known[name] for name in contract.split()})
    assert text(of_report(report)).startswith("0.950 ± 0.011 L missing")
