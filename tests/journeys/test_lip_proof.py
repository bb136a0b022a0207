"""A fill that is proved at the lip on the simulated bay: held at the page, stopped by the pan."""

import time
from collections.abc import Callable

import pytest
from playwright.sync_api import Page, expect

from tests.journeys.technician import Technician, until


def _hold_until(person: Technician, true: Callable[[], bool], within_s: float, what: str) -> None:
    """Hold until something is so. A busy computer may lose a beat: then the proof is asked for again, and held again."""
    end_s = time.monotonic() + within_s
    while time.monotonic() < end_s:
        proof = person.get("/view.json")["pump"]["lip"]
        if proof is not None and not proof["under_way"]:
            person.mark("lip_proof")
            until(lambda: person.get("/view.json")["pump"]["lip"]["under_way"], "the proof asked for again")
        person.press("#hold")
        pressed_s = time.monotonic()
        while time.monotonic() < end_s:
            if true():
                return
            if time.monotonic() - pressed_s > 1.0 and not person.get("/view.json")["held"]:
                break
            time.sleep(0.1)
        person.let_go()
    pytest.fail(f"{what}: not within {within_s} s: {person.get('/view.json')}")


def test_a_fill_is_proved_at_the_lip_while_the_control_is_held(phone: Page) -> None:
    """The axle was never drained, so that fluid stands at the plug after a few millilitres."""
    person = Technician(phone)
    person.open_job()
    person.tick_all()
    for mark in ("pan_placed", "drain_open", "drain_done", "reseal_done", "fill_start"):
        person.mark(mark)
    phone.fill(
        '#unit-right [name="reason"]', "read again from the plate"
    )  # nothing was drained: the station asks
    phone.click("#unit-right button")
    until(lambda: phone.locator("#unit").is_hidden(), "the answer taken")
    if person.stage() != "fill":
        person.mark("fill_start")
    person.reach("fill")
    person.tick_all()
    until(lambda: person.get("/view.json")["blocked"] is None, "every sensor read")

    def runs_over() -> bool:
        return person.get("/view.json")["ran_over_at_l"] is not None

    _hold_until(person, runs_over, 60, "fluid running over")
    person.let_go()
    until(lambda: not person.get("/view.json")["held"], "let go")

    person.mark("lip_proof")
    expect(phone.locator(".dock-figure")).to_contain_text("At the lip: ")
    time.sleep(2.0)
    assert not person.pump_on(), "nobody holds it"
    _hold_until(person, lambda: person.get("/view.json")["pump"]["lip"]["proved"], 300, "the proof")
    expect(phone.locator("#pump-line")).to_contain_text("Stopped: first fluid over the lip.")
    person.let_go()
    proof = person.get("/view.json")["pump"]["lip"]
    assert proof["proved"]
    assert proof["pushed_l"] <= 0.15
    assert proof["over_l"] >= 0.010
    expect(phone.locator(".notices")).to_contain_text("First fluid over the lip")
    assert not person.pump_on()
