"""The README's section on a real bay, followed command by command on a card that has no station: what is typed is read from
the README itself. Between restart and update the pan is calibrated as the page does it.
"""

from pathlib import Path
from typing import Any

import pytest

from station.calibrating.calibrating import pan_line
from station.record.archive import certificates
from station.record.ledger import Ledger
from tests.pi.bare import bare_card
from tests.pi.board import from_card
from tests.pi.card import copy
from tests.pi.cuts import judge_card, taken

INSTALL = "sudo python3 -m station install"
STOP, START = "sudo systemctl stop tallypan", "sudo systemctl start tallypan"
DOCTOR = "sudo -u tallypan tallypan doctor --config /etc/tallypan/bay.toml"
UPDATE, BACK = "sudo python3 -m station update", "sudo tallypan update --back"
UNINSTALL = "sudo tallypan uninstall"
SLOPE = 0.0001 / 1.002
"""Of a scale that shows 0.2 % too much, in steps of 0.1 g."""

pytestmark = pytest.mark.long


@pytest.fixture(scope="module")
def end(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The card, and all parts of the section on it."""
    card = tmp_path_factory.mktemp("bare") / "card"
    copy(bare_card(), card)
    return card


@pytest.fixture(scope="module")
def followed(end: Path) -> dict[str, Any]:
    """What was told and said; each part behind a restart of the board."""
    seen: dict[str, Any] = {}
    for part in ("install", "after", "update", "uninstall"):
        seen |= from_card(end, "follow.py", f"part={part}")
        print(seen)
    return seen


def said(followed: dict[str, Any], command: str) -> tuple[int, str]:
    found = followed[command.replace(" ", "_")]
    return found["status"], found["said"]


def test_every_command_of_the_section_is_known(followed: dict[str, Any]) -> None:
    assert followed["commands"] == [INSTALL, STOP, DOCTOR, START, UPDATE, BACK, UNINSTALL]


def test_it_installs_and_says_what_config_txt_needs(followed: dict[str, Any]) -> None:
    status, text = said(followed, INSTALL)
    assert status == 0, text
    assert "Restart the Pi" in text
    assert "dtparam=strict_gpiod" in followed["config"]


def test_it_is_a_service_once_the_pi_is_restarted(followed: dict[str, Any]) -> None:
    assert followed["enabled"] == "enabled"
    assert followed["health"][0] == 200, followed["health"]


def test_the_doctor_tells_what_is_missing(followed: dict[str, Any]) -> None:
    assert said(followed, STOP)[0] == 0
    status, text = said(followed, DOCTOR)
    assert status == 1, text
    assert "pan" in text
    assert "lgpio cannot be used" not in text
    assert said(followed, START)[0] == 0


def test_the_pan_is_calibrated(followed: dict[str, Any]) -> None:
    assert followed["certificates"] == ["pan"]


def test_an_update_runs_and_goes_back(followed: dict[str, Any]) -> None:
    assert said(followed, UPDATE)[0] == 0, said(followed, UPDATE)[1]
    assert said(followed, BACK)[0] == 0, said(followed, BACK)[1]
    before, newer, older = (followed[name][2] for name in ("before", "newer", "older"))
    assert newer != before
    assert older == before
    assert followed["older"][0] == 200


def test_uninstalling_leaves_the_record_whole(followed: dict[str, Any], end: Path, tmp_path: Path) -> None:
    status, text = said(followed, UNINSTALL)
    assert status == 0, text
    assert followed["left"] == ["/etc/tallypan/bay.toml", "/var/lib/tallypan/ledger.sqlite"]
    assert judge_card(end, tmp_path, ["claimed E. Brandvold"]) == []
    record = Ledger(taken(end, tmp_path))
    (kept,) = certificates(record)
    record.close()
    assert pan_line(kept).kg_per_count == pytest.approx(SLOPE, rel=2e-4)
