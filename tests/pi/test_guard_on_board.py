"""The pump guard on an emulated Pi: the kernel's real pin driver, claims, levels, and what a killed owner leaves."""

import pytest

from tests.pi.board import boot

RSS_MOST_KIB = 10 * 1024
OFF_MOST_INSTRUCTIONS = 120e6
"""A Pi 3 does some 0.6 to 1 thousand million instructions a second in Python (an estimate): 0.12 to 0.2 s."""


@pytest.mark.parametrize("persist", ["y", "n"])
def test_the_guard_on_the_boards_own_pin_driver(persist: str) -> None:
    seen = boot("guard.py", append=f"pinctrl_bcm2835.persist_gpio_outputs={persist}").results
    assert seen["persist"] == persist.upper()
    assert seen["told"] == (["pins"] if persist == "y" else [])
    assert seen["claimed"] == "out lo"
    assert seen["second"][0] == 1
    assert "stop that one first" in seen["second"][1]
    assert seen["still"]
    assert seen["rss_kib"] <= RSS_MOST_KIB
    assert seen["beaten"] == seen["again"] == seen["on"] == "out hi"
    assert seen["late"] == seen["not_by_itself"] == "out lo"
    assert seen["after_term"].endswith("lo")
    assert seen["after_end_of_input"].endswith("lo")
    # Pi OS's default keeps a dead owner's output: what the wiring guide's strict_gpiod is there for.
    assert seen["after_kill"].split()[0] == ("out" if persist == "y" else "in")
    if persist == "y":
        assert seen["after_kill"] == "out hi"
    assert seen["off"][:2] == [0, ""]
    assert seen["after_off"].endswith("lo")


def test_the_last_resort_is_short() -> None:
    """With -icount shift=0 the board's clock counts instructions, one to the nanosecond: no other load changes it."""
    seen = boot("guard_off.py", more=("-icount", "shift=0,sleep=off")).results
    assert seen["returncode"] == 0
    assert seen["instructions"] <= OFF_MOST_INSTRUCTIONS
