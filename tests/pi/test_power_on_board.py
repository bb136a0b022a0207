"""The service under systemd on an SD card: it starts, and its power is cut in the middle of a flood of notes. Whatever was
answered is in the record, and the record is whole. Then the board is started again from that card.

Seconds on the board are those of 10⁹ instructions.
"""

import random
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.pi.board import LIMIT_S, boot_card, from_card, read_results
from tests.pi.card import FILES_MIB, card, copy
from tests.pi.cuts import Recording, cut_and_judge, judge_card

MARKS_AT = FILES_MIB << 20
ANSWERS, RECORDED = 60, 40
START_MOST_S, MEMORY_MOST_KIB = 20.0, 100 * 1024
"""Memory: of service and guard together."""


def flooded(folder: Path, answers: int, log: Path | None = None) -> tuple[list[str], dict[str, Any]]:
    """Cut a board's power after so many answers; what was answered, and what was told before. The card is ``folder/card``."""
    console = boot_card(folder / "card", "flood.py", f"marks_at={MARKS_AT}", log)
    try:
        for _ in range(answers):
            console.wait_for(r"ANSWERED \S+\s|Traceback", LIMIT_S)
            assert "Traceback" not in console.text, console.text[-3000:]
    finally:
        console.close()  # SIGKILL: the board stops between two instructions
    # A line may come in two pieces; the last one is whole only with its end.
    whole = console.text[: console.text.rfind("\n")]
    answered = [line.split()[1] for line in whole.splitlines() if line.startswith("ANSWERED ")]
    return answered, read_results(whole)


@dataclass(frozen=True)
class Cut:
    folder: Path
    answered: list[str]
    told: dict[str, Any]


@pytest.fixture(scope="module")
def cut(tmp_path_factory: pytest.TempPathFactory) -> Cut:
    """A card whose board's power was cut. ``writes`` beside it has all that was written."""
    folder = tmp_path_factory.mktemp("cut")
    copy(card(), folder / "card")
    return Cut(folder, *flooded(folder, ANSWERS + random.Random(22).randrange(30), folder / "writes"))


def test_it_starts_and_is_well(cut: Cut) -> None:
    print(cut.told)
    assert cut.told["health"]["ok"]
    assert cut.told["pad"] == "out lo"
    began_us, ready_us = cut.told["started_us"]
    assert (ready_us - began_us) / 1e6 <= START_MOST_S
    assert sum(cut.told["memory_kib"]) <= MEMORY_MOST_KIB


def test_nothing_answered_is_lost(cut: Cut) -> None:
    assert judge_card(cut.folder / "card", cut.folder, cut.answered) == []


@pytest.fixture(scope="module")
def recording(cut: Cut) -> Recording:
    return Recording.read(card(), cut.folder / "writes", MARKS_AT)


def test_recorded_writes_cut_anywhere(recording: Recording, tmp_path: Path) -> None:
    judged = cut_and_judge(recording, RECORDED, 1, tmp_path)
    print(judged)
    assert judged.cuts == RECORDED
    assert judged.failed == []
    assert max(judged.answered) >= ANSWERS // 2


def test_an_answer_before_the_card_has_it_would_be_seen(recording: Recording, tmp_path: Path) -> None:
    """The same with a planted fault: notes are taken as answered four hundred sectors before they were."""
    assert cut_and_judge(recording, 10, 1, tmp_path, late=400).failed


@pytest.fixture(scope="module")
def again(cut: Cut, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """The board started again from the card that the cut left."""
    folder = tmp_path_factory.mktemp("again")
    copy(cut.folder / "card", folder / "card")
    seen = from_card(folder / "card", "trouble.py", "troubles=verify")
    print(seen)
    return seen


def test_the_board_starts_again(cut: Cut, again: dict[str, Any]) -> None:
    assert again["health"]["ok"]
    assert again["pad"] == "out lo"
    assert again["verify"]["status"] == 0, again["verify"]["said"]
    assert set(cut.answered) <= set(again["verify"]["notes"])
