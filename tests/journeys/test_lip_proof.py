"""A fill that is proved at the lip on the simulated bay: held at the page, stopped by the pan."""

import time
from collections.abc import Callable

import pytest
from playwright.sync_api import Page, expect

from tests.journeys.technician import PART_PATIENCE_S, Technician, until


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
            view = person.get("/view.json")
            lapsed = time.monotonic() - pressed_s > 1.0 and not view["held"]
            if lapsed or (proof is not None and not view["pump"]["lip"]["under_way"]):
                break
            time.sleep(0.1)
        person.let_go()
    pytest.fail(f"{what}: not within {within_s} s: {person.get('/view.json')}")


@pytest.fixture
def person(phone: Page) -> Technician:
    """A technician who has asked for a proof. The axle was never drained, so that fluid stands at the plug, and runs over,
    after a few millilitres."""
    person = Technician(phone)
    person.open_job()
    person.to_fill()

    def runs_over() -> bool:
        return person.get("/view.json")["ran_over_at_l"] is not None

    _hold_until(person, runs_over, PART_PATIENCE_S, "fluid running over")
    person.let_go()
    until(lambda: not person.get("/view.json")["held"], "let go")
    person.mark("lip_proof")
    expect(phone.locator(".dock-figure")).to_contain_text("At the lip: ")
    return person


def test_a_proof_pushes_a_step_and_waits_though_the_control_is_held(phone: Page, person: Technician) -> None:
    """How soon a pump stops that is let go, test_pump_control.py asks; here no time is judged."""
    assert not person.pump_on(), "nobody holds it"
    before_l, steps, pushed_l = 0.0, 0, 0.0

    def has_pushed_and_waits() -> bool:
        nonlocal before_l, steps, pushed_l
        view = person.get("/view.json")
        proof = view["pump"]["lip"]
        if proof["steps"] == 0:  # one that is asked for again goes on counting
            before_l = proof["pushed_l"]
        steps, pushed_l = proof["steps"], proof["pushed_l"] - before_l
        return pushed_l > 0.0 and view["held"] and not view["pump_on"] and proof["under_way"]

    _hold_until(
        person, has_pushed_and_waits, PART_PATIENCE_S, "a step, the pump off, and the proof under way"
    )
    assert pushed_l <= 0.03 * steps
    person.let_go()


@pytest.mark.long
def test_a_fill_is_proved_at_the_lip_while_the_control_is_held(phone: Page, person: Technician) -> None:
    """Wants a computer that does little else: each hold that is interrupted begins a step anew."""
    _hold_until(
        person, lambda: person.get("/view.json")["pump"]["lip"]["proved"], PART_PATIENCE_S, "the proof"
    )
    expect(phone.locator("#pump-line")).to_contain_text("Stopped: first fluid over the lip.")
    person.let_go()
    proof = person.get("/view.json")["pump"]["lip"]
    assert proof["pushed_l"] <= 0.15
    assert proof["over_l"] >= 0.010
    expect(phone.locator(".notices")).to_contain_text("First fluid over the lip")
    assert not person.pump_on()
