"""The service under systemd on a card, on an emulated Pi with its kernel's own pin driver, in trouble in the middle of a fill:
a card that takes nothing, a service that is killed or hangs, and one that is stopped. Each start of the service costs a minute
and a half of a processor, so what wants more of them is in ``make pi-soak``.

The board's clock counts instructions, so its seconds are those of a processor that does 10⁹ of them a second, and no other
load on the machine makes a beat late.
"""

from pathlib import Path
from typing import Any

import pytest

from tests.pi.board import from_card
from tests.pi.card import card, copy
from tests.pi.test_power_on_board import MEMORY_MOST_KIB

OFF_S = {"card-full": 5.0, "card-read-only": 5.0, "service-killed": 0.2, "both-killed": 3.0, "service-hung": 0.5,
         "guard-killed": 3.0, "stopped": 0.2}  # fmt: skip
"""Until the pump's pad is off. With the guard dead it is the one-shot that does it: behind a dead service systemd's, which is
a start of Python."""


def off_in_time(what: str, seen: dict[str, Any]) -> dict[str, Any]:
    """What was seen of a trouble. Raises AssertionError where the pump ran on or runs again."""
    found: dict[str, Any] = seen[what]
    assert found["on"] == "out hi"
    assert found["off_s"] is not None
    assert found["off_s"] <= OFF_S[what]
    assert found["pad"].endswith("lo")
    return found


def off_and_back(what: str, seen: dict[str, Any]) -> None:
    """The same of a service that comes back by itself, with the job where it was and the pump off."""
    found = off_in_time(what, seen)
    assert found["anew"]
    assert found["restarts"] == 1
    assert found["stage"] == "fill"
    assert found["asks"], "whether the pan was moved or filled meanwhile"
    assert not found["pump_on"]


def refused_until_mended(what: str, seen: dict[str, Any]) -> None:
    """The same of a card that took nothing: the page tells, the pump does not run, and afterwards all is well."""
    found = off_in_time(what, seen)
    status, health = found["health"]
    assert status == 503
    assert not health["checks"]["ledger"]["ok"] or not health["checks"]["disk"]["ok"]
    assert found["note"][0] != 200, "nothing is taken as kept that is not"
    assert found["again"].endswith("lo")
    assert found["later_note"][0] == 200


def in_trouble(folder: Path, troubles: str) -> dict[str, Any]:
    copy(card(), folder / "card")
    results = from_card(folder / "card", "trouble.py", f"troubles={troubles}")
    print(results)
    return results


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    return in_trouble(tmp_path_factory.mktemp("card"), "card-full,service-killed,stopped")


@pytest.fixture(scope="module")
def worse(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    return in_trouble(tmp_path_factory.mktemp("card"), "card-read-only,service-hung,both-killed,guard-killed")


def test_memory_in_a_job_with_its_page_opened(seen: dict[str, Any]) -> None:
    assert sum(seen["memory_in_a_job_kib"]) <= MEMORY_MOST_KIB


def test_a_full_card(seen: dict[str, Any]) -> None:
    refused_until_mended("card-full", seen)


def test_the_service_killed(seen: dict[str, Any]) -> None:
    off_and_back("service-killed", seen)


def test_stopped(seen: dict[str, Any]) -> None:
    found = off_in_time("stopped", seen)
    assert found["state"].startswith("inactive")
    assert found["pids"] == [0, 0]
    assert not [line for line in found["log"] if "ERROR" in line or "CRITICAL" in line]


@pytest.mark.long
def test_a_card_that_turns_read_only(worse: dict[str, Any]) -> None:
    refused_until_mended("card-read-only", worse)


@pytest.mark.long
@pytest.mark.parametrize("what", ["service-hung", "both-killed"])
def test_the_service_hung_and_both_killed(what: str, worse: dict[str, Any]) -> None:
    off_and_back(what, worse)


@pytest.mark.long
def test_the_guard_killed(worse: dict[str, Any]) -> None:
    """Pi OS keeps a dead owner's output: the station's one-shot ends it, and says that the guard is gone."""
    found = off_in_time("guard-killed", worse)
    assert found["health"][0] == 503
    assert not found["health"][1]["checks"]["guard"]["ok"]
    assert found["said"][0] or found["said"][1]
