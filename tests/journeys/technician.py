"""What a technician does at the page, one deed per method. Everything goes through the page's own controls."""

import re
import time
from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import APIResponse, Page, expect

LOOK_S = 0.25
"""How often somebody looks who has waited for a while."""
PATIENCE_S = 60.0
"""What is not a promise of the page is waited for as long as a busy computer takes."""
PART_PATIENCE_S = 600.0
"""A drain, a drip and a fill take some seconds at the bench's faster time, which waits for a busy computer; a fill besides as
many holds as such a one interrupts."""


def until(true: Callable[[], bool], what: str, within_s: float = PATIENCE_S) -> float:
    """Wait for something; how long it took. within_s: where the page promises it, or a whole part of a job takes it. Looks
    less often the longer it takes: each look asks browser and station, who have other things to do."""
    start_s = time.monotonic()
    while not true():
        waited_s = time.monotonic() - start_s
        if waited_s > within_s:
            pytest.fail(f"{what}: not within {within_s} s")
        time.sleep(min(LOOK_S, 0.02 + 0.1 * waited_s, max(0.02, within_s - waited_s)))
    return time.monotonic() - start_s


ONCE = {"Connection": "close"}
"""On a line of its own: the station closes one on which nothing is asked for five seconds, and what is sent upon it in just
that moment is reset. A browser sends that again by itself, Playwright's own client does not."""


def ask(page: Page, address: str) -> APIResponse:
    """Ask the station beside the page."""
    return page.request.get(address, headers=ONCE)


def tell(page: Page, address: str, **body: str) -> None:
    """Have the station do something beside the page."""
    reply = page.request.post(address, data=body, headers={**ONCE, "X-Tallypan": "1"})
    assert reply.ok, reply.text()


def follow(page: Page, link: str) -> None:
    """Go where a link leads, and wait until that page's scripts have run: what is asked or pressed before them is asked of
    half a page, or lost."""
    with page.expect_navigation():
        page.click(link)


def figure_l(text: str) -> tuple[float, float]:
    """``2.84 ± 0.02 L`` or ``18 ± 6 mL`` → value and U95 in litres."""
    found = re.fullmatch(r"\s*(−?[\d.]+) ± ([\d.]+) (m?L)\s*", text)
    assert found is not None, f"{text!r} is no figure with its doubt"
    scale = 0.001 if found[3] == "mL" else 1.0
    return float(found[1].replace("−", "-")) * scale, float(found[2]) * scale


class Technician:
    def __init__(self, page: Page) -> None:
        self.page = page
        self.presses = 0

    def stage(self) -> str:
        return self.page.get_attribute("body", "data-stage") or ""

    def text(self, name: str) -> str:
        return self.page.locator(f'[data-text="{name}"]').first.text_content() or ""

    def get(self, path: str) -> Any:
        return ask(self.page, path if path.startswith("http") else f"{self.origin()}{path}").json()

    def origin(self) -> str:
        return "/".join(self.page.url.split("/")[:3])

    def follow(self, link: str) -> None:
        follow(self.page, link)

    def bench(self, verb: str) -> None:
        """Press a bench button, and wait until the bay has done it: what follows may leave the page."""
        self.page.wait_for_load_state()
        with self.page.expect_response("**/api/bench"):
            self.page.click(f'[data-bench="{verb}"]')

    def happen(self, verb: str) -> None:
        """What happens at the bench, and is nothing that anybody does at the page, nor takes the focus."""
        tell(self.page, f"{self.origin()}/api/bench", verb=verb)

    def pick(self, compartment: str, unfold: bool = False) -> None:
        """Tap a tile of the plan; unfold: look at what it filled in."""
        self.page.click(f'[data-compartment="{compartment}"]')
        if unfold:
            self.page.click("#plan-more summary")

    def open_job(self) -> None:
        self.pick("b12_rear_axle")
        self.page.fill('[name="technician"]', "J. Lindqvist")
        assert self.page.input_value('[name="capacity"]') == "2.9 L"
        assert self.page.input_value('[name="fresh_fluid"]') == "gear_75w90"
        self.page.click("text=Open the job")
        expect(self.page.locator("body")).to_have_attribute("data-stage", "plan")

    def tick_all(self) -> None:
        """Tick what is open on the list; each tick comes back from the station before the next."""
        for key in [item["key"] for item in self.get("/view.json")["checklist"] if not item["done"]]:
            self.page.check(f'[data-check="{key}"]')
            until(lambda key=key: self._ticked(key), f"{key} ticked")  # type: ignore[misc]

    def _ticked(self, key: str) -> bool:
        return any(item["key"] == key and item["done"] for item in self.get("/view.json")["checklist"])

    def mark(self, mark: str) -> None:
        button = self.page.locator(f'[data-mark="{mark}"]')
        expect(button).to_be_enabled()
        button.click()

    def reach(self, stage: str, within_s: float = PATIENCE_S) -> None:
        until(lambda: self.stage() == stage, f"stage {stage}", within_s)

    def press(self, selector: str) -> None:
        """Put the pointer down on a control, once it stands still, and keep it there."""
        self.page.hover(selector)
        self.page.mouse.down()
        self.presses += 1

    def let_go(self) -> None:
        self.page.mouse.up()

    def pump_on(self) -> bool:
        return bool(self.page.locator("#stop").is_visible())

    def to_fill(self) -> None:
        """From an open job to the fill stage, without waiting for anything."""
        self.tick_all()
        self.mark("pan_placed")
        self.mark("drain_open")
        self.drain_nothing()
        self.mark("reseal_done")
        self.mark("fill_start")
        self.say_drained_elsewhere()
        self.reach("fill")
        self.tick_all()
        until(lambda: self.get("/view.json")["blocked"] is None, "every sensor read")

    def drain_nothing(self) -> None:
        """Say that the drain is done while nothing is in the pan, which the station asks about once."""
        self.mark("drain_done")
        expect(self.page.locator("#message")).to_contain_text("Nothing was measured in the pan.")
        self.mark("drain_done")

    def say_drained_elsewhere(self) -> None:
        """Nothing was drained, which the station asks about before it lets the pump run; then go on to the fill."""
        question = self.page.locator("#unit-right")
        expect(question).to_be_visible()
        question.locator('[name="reason"]').fill("drained elsewhere")
        question.locator("button").click()
        expect(question).to_be_hidden()
        self.mark("fill_start")

    def hold_until(self, true: Callable[[], bool], what: str, within_s: float = PATIENCE_S) -> None:
        """Hold to run until something is so, and go on holding; an interrupted hold is pressed again. A busy computer may
        interrupt one at once: a page that gets no live figures lets go."""
        end_s = time.monotonic() + within_s
        while time.monotonic() < end_s:
            self.press("#hold")
            while not true() and self._is_held() and time.monotonic() < end_s:
                time.sleep(LOOK_S)
            if true():
                return
            self.let_go()
        said = self.page.locator("#message p").text_content()
        pytest.fail(
            f"{what}: not within {within_s} s; to go {self.text('to_go.number')}; the page says {said!r}"
        )

    def fill_to_target(self) -> None:
        self.hold_until(self._is_reached, "target reached", PART_PATIENCE_S)
        self.let_go()
        until(lambda: not self.pump_on(), "pump off")

    def _is_held(self) -> bool:
        return self.page.locator("#hold[data-pressed]").count() > 0

    def _is_reached(self) -> bool:
        return "arget reached" in self.text("pump")
