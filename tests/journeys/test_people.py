"""The first days of a real bay, in a browser: nobody, an owner, a technician, a wrong PIN too often, a full disk."""

import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from station.__main__ import main
from tests.journeys.conftest import PHONE, ROOT
from tests.journeys.technician import Technician

PHRASE, PIN, NEW_PIN = "heron on the mud", "481630", "730264"
OWNER, TECHNICIAN = "E. Brandvold", "M. Okafor"


@dataclass(frozen=True)
class RealBay:
    address: str
    code: str
    folder: Path
    process: subprocess.Popen[str]


@pytest.fixture
def bay(tmp_path: Path) -> Iterator[RealBay]:
    line = [sys.executable, "-m", "tests.journeys.real_bay", str(tmp_path)]
    with (tmp_path / "log").open("w") as errors:
        process = subprocess.Popen(line, cwd=ROOT, stdout=subprocess.PIPE, stderr=errors, text=True)
    try:
        assert process.stdout is not None
        said = process.stdout.readline().split()
        assert len(said) == 2, (tmp_path / "log").read_text()
        yield RealBay(said[0].rstrip("/"), said[1], tmp_path, process)
    finally:
        process.terminate()
        process.communicate(timeout=60)


def a_device(browser: Browser, bay: RealBay) -> Page:
    """A phone that nobody has signed in on yet."""
    page = browser.new_context(viewport=PHONE, has_touch=True).new_page()
    page.goto(bay.address)
    return page


def fill(page: Page, form: str, **fields: str) -> None:
    for name, text in fields.items():
        page.locator(form).locator(f'[name="{name}"]').fill(text)


def press(page: Page, form: str) -> None:
    page.locator(form).locator('button[type="submit"]:visible').click()


def tap_pin(page: Page, pin: str) -> None:
    for digit in pin:
        page.click(f'[data-digit="{digit}"]')
    press(page, "#enter")


def at_the_bay(page: Page) -> None:
    page.wait_for_selector("body.bay")
    page.wait_for_load_state()  # what is pressed before the page's scripts have run is lost


def test_from_a_first_start_to_a_technician_who_is_told_what_is_not_hers_and_what_was_not_stored(
    browser: Browser, bay: RealBay
) -> None:
    owner = a_device(browser, bay)
    expect(owner.locator("h1")).to_have_text("Set up the owner")
    fill(owner, "#own", name=OWNER, code=bay.code, secret=PHRASE, again=PHRASE)
    press(owner, "#own")
    at_the_bay(owner)
    owner.goto(f"{bay.address}/people")
    fill(owner, "#add", name=TECHNICIAN)
    press(owner, "#add")
    expect(owner.locator("#code")).to_be_visible()
    code = owner.locator("#code-text").text_content() or ""

    phone = a_device(browser, bay)
    phone.click(f'[data-name="{TECHNICIAN}"]')
    fill(phone, "#claim", code=code, secret=PIN, again=PIN)
    press(phone, "#claim")
    at_the_bay(phone)

    phone.goto(f"{bay.address}/usage")
    expect(phone.locator("main")).to_contain_text("You are signed in as technician. This is for the manager")

    phone.goto(f"{bay.address}/sign-in")
    phone.click("summary:has-text('Change your PIN')")
    fill(phone, "#change", secret=PIN, new=NEW_PIN, again=NEW_PIN)
    press(phone, "#change")
    at_the_bay(phone)

    stranger = a_device(browser, bay)
    stranger.click(f'[data-name="{TECHNICIAN}"]')
    for _ in range(5):
        tap_pin(stranger, PIN)  # the old one
        expect(stranger.locator("#message")).to_contain_text("do not go together")
        stranger.click("#message button")
    tap_pin(stranger, NEW_PIN)
    expect(stranger.locator("#message")).to_contain_text("Too many tries")
    assert main(["people", "--ledger", str(bay.folder / "ledger.sqlite"), "unlock", TECHNICIAN]) == 0
    tap_pin(stranger, NEW_PIN)
    at_the_bay(stranger)

    owner.goto(f"{bay.address}/changes")
    expect(owner.locator("table")).to_contain_text(f"people: {TECHNICIAN}: tries")

    Technician(phone).pick("b12_rear_axle")
    phone.click("text=Open the job")
    expect(phone.locator("body")).to_have_attribute("data-stage", "plan")
    bay.process.send_signal(signal.SIGUSR1)
    phone.click("summary:has-text('Remark')")
    fill(phone, "#remark", text="washed the housing")
    press(phone, "#remark")
    expect(phone.locator("#message")).to_contain_text("The record does not take the entry yet")
    expect(phone.locator("#message")).to_contain_text("disk is full")
