"""The service under systemd on a card, on an emulated Pi with its kernel's own pin driver, in trouble in the middle of a fill.

The board's clock counts instructions, so its seconds are those of a processor that does 10⁹ of them a second, and no other
load on the machine makes a beat late.
"""

from pathlib import Path
from typing import Any

import pytest

from tests.pi.board import boot_card, read_results
from tests.pi.card import card, copy

OFF_S = {"service-killed": 0.2}
"""Until the pump's pad is off."""


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    folder: Path = tmp_path_factory.mktemp("card")
    copy(card(), folder / "card")
    console = boot_card(folder / "card", "trouble.py", "troubles=" + ",".join(OFF_S))
    try:
        console.wait_for("GUEST DONE|Traceback", 1800.0)
    finally:
        console.close()
    results = read_results(console.text)
    print(results)
    return results


@pytest.mark.parametrize("what", OFF_S)
def test_off_and_back(what: str, seen: dict[str, Any]) -> None:
    found = seen[what]
    assert found["off_s"] is not None
    assert found["off_s"] <= OFF_S[what]
    assert found["anew"]
    assert found["restarts"] == 1
    assert found["stage"] == "fill", "the job is where it was"
    assert found["asks"], "whether the pan was moved or filled meanwhile"
    assert not found["pump_on"]
    assert found["pad"] == "out lo"


def test_stopped(seen: dict[str, Any]) -> None:
    assert seen["stopped"]["off_s"] is not None
    assert seen["stopped"]["pad"].endswith("lo")
    assert seen["stopped"]["pids"] == [0, 0]
