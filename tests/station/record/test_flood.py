"""Answered means on disk: the short form of ``tests.soak.flood``, and that it sees an answer that comes too early."""

from pathlib import Path

from tests.soak.flood import run

TRIALS = 10


def test_what_was_answered_under_a_flood_is_in_the_record_after_a_kill(tmp_path: Path) -> None:
    found = run(tmp_path, TRIALS, seed=12)
    assert found["trials"] == TRIALS
    assert found["answered"] > TRIALS
    assert found["lost"] == []
    assert found["doubled"] == []
    assert found["broken"] == []


def test_an_answer_before_the_disk_has_it_is_found_out(tmp_path: Path) -> None:
    assert run(tmp_path, TRIALS, seed=13, early=True)["lost"]
