"""The pump guard and the converter's readers on an emulated Pi: the kernel's real pin driver, claims, levels, what a killed
owner leaves, and how much work a clock pulse is.

The board's clock counts instructions, one to the nanosecond, so no other load changes a figure. A pulse to the converter may
last 60 µs: what that leaves of a Pi's speed is an estimate, 60 to 190 instructions a microsecond from a Zero 2 W to a Pi 4.
"""

from typing import Any

import pytest

from tests.pi.board import boot

RSS_MOST_KIB = 10 * 1024
OFF_MOST_INSTRUCTIONS = 120e6
"""A Pi 3 does some 0.6 to 1 thousand million instructions a second in Python (an estimate): 0.12 to 0.2 s."""
LINES_MOST = 8_000
PACKAGE_LEAST = 3 * LINES_MOST
"""Should the package become as short, the wiring guide's advice is out of date."""


def booted(guests: str, persist: str) -> dict[str, Any]:
    seen = boot(guests, append=f"pinctrl_bcm2835.persist_gpio_outputs={persist}")
    print(seen)
    assert seen["persist"] == persist.upper()
    assert seen["claimed"] == "out lo"
    assert seen["second"][0] == 1
    assert "stop that one first" in seen["second"][1]
    assert seen["still"]
    assert seen["rss_kib"] <= RSS_MOST_KIB
    assert seen["beaten"] == seen["again"] == seen["on"] == "out hi"
    assert seen["late"] == seen["not_by_itself"] == "out lo"
    assert seen["after_term"].endswith("lo")
    assert seen["after_end_of_input"].endswith("lo")
    assert seen["off"] == [0, ""]
    assert seen["off_instructions"] <= OFF_MOST_INSTRUCTIONS
    assert seen["after_off"].endswith("lo")
    return seen


@pytest.fixture(scope="module")
def kept() -> dict[str, Any]:
    """A board whose pins stay as they are when their owner dies: Pi OS's default, what strict_gpiod is there for."""
    return booted("guard.py,converter.py", "y")


def test_a_killed_guard_leaves_the_pin_high_until_the_one_shot(kept: dict[str, Any]) -> None:
    assert kept["told"] == ["pins"]
    assert kept["after_kill"] == "out hi"


def test_a_killed_guard_lets_go_of_a_strict_pin() -> None:
    seen = booted("guard.py", "n")
    assert seen["told"] == []
    assert seen["after_kill"].split()[0] == "in"


def test_a_pulse_by_direct_calls_is_short_and_auto_prefers_it(kept: dict[str, Any]) -> None:
    assert kept["instructions"]["lgpio"][0] <= LINES_MOST
    assert kept["instructions"]["package"][0] >= PACKAGE_LEAST
    assert [said.split(":")[0] for said in kept["told_by_readers"]] == ["lgpio", "package"]
