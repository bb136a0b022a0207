"""The README's section on a real bay, followed command by command on a card that has no station: what is typed is read from
the README itself.
"""

from pathlib import Path
from typing import Any

import pytest

from tests.pi.bare import bare_card
from tests.pi.board import from_card
from tests.pi.card import copy

INSTALL = "sudo python3 -m station install"
DOCTOR = "sudo -u tallypan tallypan doctor --config /etc/tallypan/bay.toml"
UNINSTALL = "sudo tallypan uninstall"
NOT_TYPED = ["sudo python3 -m station update", "sudo tallypan update --back"]
"""They want a newer version; tests/station/commands has them."""
GOES = ("/etc/systemd/system/tallypan.service", "/opt/tallypan", "/usr/local/bin/tallypan")
STAYS = ("/var/lib/tallypan/ledger.sqlite", "/etc/tallypan/bay.toml")


@pytest.fixture(scope="module")
def followed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    card: Path = tmp_path_factory.mktemp("bare") / "card"
    copy(bare_card(), card)
    seen = from_card(card, "follow.py", "part=install")
    print(seen)
    seen |= from_card(card, "follow.py", "part=after")
    print(seen)
    return seen


def said(followed: dict[str, Any], command: str) -> tuple[int, str]:
    found = followed[command.replace(" ", "_")]
    return found["status"], found["said"]


@pytest.mark.long
def test_every_command_of_the_section_is_known(followed: dict[str, Any]) -> None:
    assert followed["commands"] == [INSTALL, DOCTOR, *NOT_TYPED, UNINSTALL]


@pytest.mark.long
def test_it_installs_and_says_what_config_txt_needs(followed: dict[str, Any]) -> None:
    status, text = said(followed, INSTALL)
    assert status == 0, text
    assert "Restart the Pi" in text
    assert "dtparam=strict_gpiod" in followed["config"]


@pytest.mark.long
def test_it_is_a_service_once_the_pi_is_restarted(followed: dict[str, Any]) -> None:
    assert followed["enabled"] == "enabled"
    assert followed["health"][0] == 200, followed["health"]


@pytest.mark.long
def test_the_doctor_tells_what_is_missing(followed: dict[str, Any]) -> None:
    status, text = said(followed, DOCTOR)
    assert status == 1, text
    assert "pan" in text


@pytest.mark.long
def test_uninstalling_leaves_the_record(followed: dict[str, Any]) -> None:
    status, text = said(followed, UNINSTALL)
    assert status == 0, text
    assert not any(followed["left"][path] for path in GOES)
    assert all(followed["left"][path] for path in STAYS)
