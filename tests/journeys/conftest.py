"""A real browser before the real station on a simulated bay."""

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, ViewportSize, expect, sync_playwright

from tests.journeys.technician import PATIENCE_S

ROOT = Path(__file__).parents[2]
CHROMIUM = "/usr/bin/chromium"
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
PHONE: ViewportSize = {"width": 390, "height": 844}
expect.set_options(timeout=PATIENCE_S * 1000.0)


@pytest.fixture(scope="package")
def browser() -> Iterator[Browser]:
    """One for all journeys, and closed behind the last: while it is open its event loop runs in this thread, where other
    tests run theirs."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture(autouse=True)
def _nothing_left_open(browser: Browser) -> Iterator[None]:
    """A page that a test leaves goes on following its station."""
    before = browser.contexts
    yield
    for context in browser.contexts:
        if context not in before:
            context.close()


@contextmanager
def over_the_double(*arguments: str) -> Iterator[str]:
    """The pages over the double of the engine, in a process of their own: their address."""
    command = [sys.executable, "-m", "tests.web.serving", *arguments]
    zone = {**os.environ, "TZ": "America/St_Johns"}  # the longest way to write an offset: UTC-03:30
    process = subprocess.Popen(command, cwd=ROOT, env=zone, stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        found = re.search(r"http://\S+", process.stdout.readline())
        assert found is not None
        yield found[0].rstrip("/")
    finally:
        process.terminate()
        process.communicate(timeout=60)


@pytest.fixture(scope="package")
def address() -> Iterator[str]:
    """For all who look at pages and work none."""
    with over_the_double() as address:
        yield address


@dataclass(frozen=True)
class Station:
    address: str
    process: subprocess.Popen[str]


@pytest.fixture
def station(tmp_path: Path) -> Iterator[Station]:
    """``tallypan serve --simulated``, started afresh with an empty ledger and stopped by a signal."""
    with serving(tmp_path) as station:
        yield station


@contextmanager
def serving(folder: Path, **environment: str) -> Iterator[Station]:
    """The same in a folder, for whoever shares it among several tests. environment: what it is given beside this process's."""
    command = [sys.executable, "-m", "station", "serve", "--simulated", "--empty", "--port", "0"]
    environment = {**os.environ, "PYTHONPATH": str(ROOT), **environment}
    log = folder / "log"
    with log.open("w") as errors:
        process = subprocess.Popen(
            command, cwd=folder, env=environment, stdout=subprocess.PIPE, stderr=errors, text=True
        )
    try:
        assert process.stdout is not None
        line = process.stdout.readline()
        found = re.search(r"http://\S+", line)
        assert found is not None, line + log.read_text()
        yield Station(found[0], process)
        process.terminate()
        process.communicate(timeout=60)
        assert process.returncode == 0, log.read_text()
    finally:
        if process.poll() is None:
            process.kill()
            process.communicate()


@pytest.fixture
def phone(browser: Browser, station: Station) -> Iterator[Page]:
    """The bay page on a phone. Whatever the browser complains about, or fetches from elsewhere, fails the test."""
    context = browser.new_context(viewport=PHONE, has_touch=True)
    page = context.new_page()
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on(
        "console",
        lambda message: complaints.append(message.text) if "Content Security" in message.text else None,
    )
    page.on(
        "request",
        lambda request: (
            complaints.append(request.url) if not request.url.startswith(station.address) else None
        ),
    )
    page.goto(station.address)
    yield page
    context.close()
    assert complaints == []
