"""A whole axle service through the page by keys alone, held against what really happened on the simulated bay."""

import re
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from tests.journeys.conftest import Station, serving
from tests.journeys.technician import PART_PATIENCE_S, Technician, ask, figure_l, until

ROUNDING_L = 0.005
"""Figures stand on the page with two decimals."""
SURE = 2.0
"""U95 is exceeded once in twenty; twice U95 about once in 15,000 figures."""

AWAY = {
    "scipy._lib": "8 MiB; Student's t is calibration.student's, and pint and GTC do without the rest",
    "cryptography.exceptions": "9 MiB; the record is signed by station.record.ed25519",
    "babel.core": "would spell pint's units, and reads catalogues: not in English",
    "pydantic.v1.main": "1 MiB for a kind of model that nothing here has",
    "pandas.core.frame": "20 MiB and more where it is installed; sqlite-utils would take its values",
    "numpy.fft": "comes with scipy, as do the next four",
    "numpy.ma.core": "",
    "numpy.polynomial.polynomial": "",
    "numpy.random.mtrand": "",
    "numpy.testing._private": "",
    "weasyprint": "a PDF is asked for, or is not",
    "PIL.Image": "a photo comes in, or does not",
    "psycopg": "for the roll-up over many bays",
}
"""Module → what it takes of a small board's memory, or when it is wanted. What comes to be needed in every job is taken from here,
and the figure of the service's memory (tests/FIGURES.md) measured anew."""


@pytest.fixture
def station(tmp_path: Path) -> Iterator[Station]:
    """One that says what it loads."""
    with serving(tmp_path, PYTHONPROFILEIMPORTTIME="1") as station:
        yield station


SAID = """window.said = []; new MutationObserver(() => said.push(document.querySelector('[data-text="waiting"]').textContent))
.observe(document.querySelector('[data-text="waiting"]'), {childList: true});"""
"""Keeps all that the page says of the drip. Not at the bay's fastest: there a forecast stands for a second or two, and a busy
station may have been past it before it told any page."""


class Typist(Technician):
    """Uses no pointer: the next action has the focus once the last one is done."""

    def tab_to(self, selector: str, most: int) -> None:
        """Go to a control by so many steps of the Tab key at most."""
        for _ in range(most):
            self.page.keyboard.press("Tab")
            if self.page.locator(f"{selector}:focus").count():
                return
        focused = self.page.evaluate("document.activeElement.outerHTML.slice(0, 200)")
        raise AssertionError(f"{selector} is not within {most} steps of Tab; the focus is on {focused}")

    def open_job(self) -> None:
        self.tab_to('.skip[href="#content"]', 1)
        self.page.keyboard.press("Enter")
        self.tab_to('[data-compartment="b12_rear_axle"]', 6)
        self.page.keyboard.press("Enter")
        expect(self.page.locator("#plan [type=submit]")).to_be_focused()
        for _ in range(2):  # past what is folded away, to the name
            self.page.keyboard.press("Shift+Tab")
        expect(self.page.locator('[name="technician"]')).to_be_focused()
        self.page.keyboard.type("J. Lindqvist")
        self.page.keyboard.press("Enter")
        self.reach("plan")
        self.tab_to('.skip[href="#dock"]', 40)
        self.page.keyboard.press("Enter")
        self.tab_to("#next", 2)  # one explains the figure above it

    def tick_all(self) -> None:
        while (tick := self.page.locator("#next[data-tick]")).count():
            key = tick.get_attribute("data-tick")
            self._go_on()
            expect(self.page.locator(f'#next[data-tick="{key}"]')).to_have_count(0)

    def mark(self, mark: str) -> None:
        """Set it once it is the next action; what has to be ticked before is ticked."""
        following = self.page.locator(f'#next[data-mark="{mark}"]')

        def is_next() -> bool:
            self.tick_all()
            return following.count() > 0

        until(is_next, f"{mark} is the next action")
        self._go_on()

    def _go_on(self) -> None:
        """Press the next action, which has the focus; not within a moment of the last, when the page takes no press."""
        expect(self.page.locator("#next")).to_be_focused()
        expect(self.page.locator("body.locked")).to_have_count(0)
        self.page.keyboard.press("Enter")

    def fill_to_target(self) -> None:
        """What is left once the stop has told how far it ran on is held for again, until the next action is another."""
        done = self.page.locator('#next[data-mark="fill_done"]')
        more = self.page.locator("#pump-line", has_text="ress and hold")
        for _ in range(5):
            super().fill_to_target()
            time.sleep(2)
            until(lambda: done.count() + more.count() > 0, "filled, or more to fill")
            if done.count():
                return
        raise AssertionError(f"still to go: {self.text('to_go.number')}")

    def press(self, selector: str) -> None:
        expect(self.page.locator(selector)).to_be_focused()
        self.page.keyboard.down(" ")
        self.page.keyboard.down(" ")  # as a key that is kept down goes on saying

    def let_go(self) -> None:
        self.page.keyboard.down(" ")
        self.page.keyboard.up(" ")


def _agrees(shown: str, exact_l: float, u95_l: float, true_l: float) -> None:
    value_l, _ = figure_l(shown)
    assert abs(value_l - exact_l) <= ROUNDING_L + 1e-9
    assert abs(exact_l - true_l) <= SURE * u95_l, f"{exact_l} ± {u95_l} L, in truth {true_l} L"


def test_a_whole_job_agrees_with_the_truth(phone: Page, tmp_path: Path) -> None:
    person = Typist(phone)
    expect(phone.locator(".badge.simulated")).to_be_visible()
    person.open_job()
    expect(phone.locator("#mark-drain_open")).to_be_disabled()
    person.tick_all()
    person.mark("pan_placed")
    time.sleep(3)  # the pan comes to rest
    person.mark("drain_open")
    person.reach("drain")
    person.happen("open_drain")
    until(
        lambda: phone.locator('[data-text="drained.number"]').first.text_content() not in ("–", "0.00"),
        "drained",
    )
    person.happen("faster")
    expect(phone.locator(".badge.fast")).to_be_visible()
    phone.evaluate(SAID)
    person.reach("drip", PART_PATIENCE_S)
    forecast = "said.some(text => text.includes('Worth waiting about'))"
    until(lambda: phone.evaluate(forecast), "the drip's forecast", PART_PATIENCE_S)
    person.happen("fastest")
    until(lambda: person.text("waiting") == "Drip is finished.", "waiting to be over", PART_PATIENCE_S)
    expect(phone.locator("#live-curve canvas")).to_be_visible()
    person.happen("normal")
    person.mark("drain_done")
    person.reach("reseal")
    person.happen("close_drain")
    person.tick_all()
    person.tab_to('#torque [name="value"]', 60)
    phone.keyboard.type("42 N·m")
    phone.keyboard.press("Enter")
    expect(phone.locator('#torque [name="value"]')).to_have_value("")
    person.tab_to("#next", 60)
    person.mark("reseal_done")
    expect(phone.locator(".countdown").first).to_be_visible()
    person.happen("fastest")
    time.sleep(5)
    person.happen("faster")
    person.mark("fill_start")
    person.reach("fill")
    person.tick_all()

    person.hold_until(person.pump_on, "pump on")
    person.let_go()
    until(lambda: not person.pump_on(), "pump off")
    person.fill_to_target()
    expect(phone.locator(".flask")).to_be_visible()
    expect(phone.locator('#live-curve [aria-label^="Metered"]')).to_be_visible()
    person.happen("normal")
    person.mark("fill_done")
    person.reach("settle")
    person.mark("level_seen")
    time.sleep(3)
    person.happen("plug_in")
    person.mark("plug_in")
    person.reach("leak watch")
    person.happen("fastest")
    person.mark("close")
    person.reach("closed")

    truth = person.get("/bench/truth.json")
    view = person.get("/view.json")
    job_id = view["job"]["job_id"]
    expect(phone.locator(".reading .verdict .word")).to_be_visible()
    _agrees(person.text("drained"), view["drained_l"], view["drained_u95_l"], truth["drained_l"])
    _agrees(
        f"{person.text('filled.number')} {person.text('filled.rest')}",
        view["filled_l"],
        view["filled_u95_l"],
        truth["filled_l"],
    )
    assert abs(view["overflow_l"] - truth["overflow_l"]) <= SURE * view["overflow_u95_l"]
    job = view["job"]
    off_l = truth["filled_l"] - job["expected_fill_l"]
    really = (
        "short"
        if off_l < -job["tolerance_minus_l"]
        else "over"
        if off_l > job["tolerance_plus_l"]
        else "full"
    )
    assert view["verdict"] == really == "full"
    assert person.text("verdict.word") == "Full"

    person.tab_to('.over-line a[href$="/sheet"]', 80)
    with phone.expect_navigation():
        phone.keyboard.press("Enter")
    sheet = phone.locator(".sheet").first
    expect(sheet).to_contain_text("Full")
    expect(sheet).to_contain_text("cover bolts 42 N·m")
    expect(sheet).to_contain_text("yes, at the fill plug")
    record = ask(phone, phone.url.replace("/sheet", ".json")).json()
    assert record["job_id"] == job_id
    assert record["report"]["filled_l"] == view["filled_l"]
    recording = ask(phone, phone.url.replace("/sheet", "/recording.csv")).text()
    assert recording.startswith("t_s,source,value")
    assert ",mark,plug_in" in recording

    loaded = re.findall(r"^import time:.*\| +(\S+)$", (tmp_path / "log").read_text(), re.M)
    assert "GTC.core" in loaded
    assert [name for name in AWAY if name in loaded] == []
