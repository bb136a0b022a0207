"""Every page there is, in every stage, on a phone and a wall, light and dark: nobody is shut out, nothing complains,
nothing is fetched from elsewhere."""

import sys
from pathlib import Path

import pytest
from playwright.sync_api import Browser, ConsoleMessage, Page, ViewportSize

from tests.journeys.technician import ask
from tests.journeys.test_layout import STAGES, set_stage
from tests.web.frame.test_gate import READS
from tests.web.serving import CROWDED, DESKS

AXE = Path(sys.prefix) / "js" / "node_modules" / "axe-core" / "axe.min.js"
"""axe-core, with its rules of WCAG 2.2 and those it calls best practice. ``make lint`` fetches it beside TypeScript."""
SMALL: ViewportSize = {"width": 360, "height": 640}
LARGE: ViewportSize = {"width": 1920, "height": 1080}
RUN = """async () => {
  const found = await axe.run(document, { resultTypes: ["violations"] });
  return found.violations.map((v) => `${v.id}: ${v.help}: ${v.nodes.map((n) => n.html.slice(0, 200)).join(" | ")}`);
}"""
DARK = "(dark) => document.documentElement.classList.toggle('dark', dark)"
KNOWN_ABSENT = "/nowhere"
LIVE = ("/", "/wall")
NO_DESK = "no desk"
EMPTY = (
    "/jobs?q=unheard-of",
    "/entries?q=unheard-of",
    "/changes?q=unheard-of",
    "/quality/fills?q=unheard-of",
)


def violations(page: Page) -> list[str]:
    """What axe finds on the page as it stands, each with the elements it found."""
    if not page.evaluate("'axe' in window"):
        page.evaluate(AXE.read_text())
    return list(page.evaluate(RUN))


def is_wrong(said: ConsoleMessage) -> bool:
    """Whether a line of the browser's console is an error, other than that the absent page is absent."""
    return said.type in ("error", "warning") and not said.location["url"].endswith(KNOWN_ABSENT)


def pages(page: Page, address: str) -> list[str]:
    """Addresses of the route table that answer with a page; a route that is not listed there fails the gate's tests. A PDF is
    not asked for: the process that makes it is nice to all others, and beside a busy suite it takes a minute and more."""
    asked = [path for path in READS if not path.endswith(".pdf")]
    answers = {path: ask(page, f"{address}{path}").headers["content-type"] for path in asked}
    return [path for path, kind in answers.items() if kind.startswith("text/html")]


def states(page: Page, address: str) -> list[tuple[str, str]]:
    """Every page, and those that look otherwise in each stage of a job or of a calibration: address and stage."""
    listed = pages(page, address)
    assert len(listed) > 15, listed
    tables = [f"/setup?table={table}" for table in ("vehicle", "compartment", "fluid", "container", "price")]
    seen = [(path, "idle") for path in (*listed, *tables, EMPTY[0], f"/jobs/{CROWDED}", KNOWN_ABSENT)]
    seen += [(path, stage) for path in LIVE for stage in STAGES if stage != "idle"]
    return seen + [("/calibration", desk) for desk in DESKS if desk != NO_DESK]


def looks(path: str, stage: str) -> list[tuple[ViewportSize, bool]]:
    """In which sizes and lights a state is looked at, each colour at least once: (size, whether dark)."""
    if path in LIVE and stage != "idle":
        return [(SMALL, False) if path == "/" else (LARGE, True)]
    return [(SMALL, False), (LARGE, True)]


EVERY_LOOK = [(size, dark) for size in (SMALL, LARGE) for dark in (False, True)]


@pytest.mark.parametrize("every", [False, pytest.param(True, marks=pytest.mark.long)])
def test_no_page_shuts_anybody_out_complains_or_fetches_from_elsewhere(
    browser: Browser, address: str, every: bool
) -> None:
    context = browser.new_context(reduced_motion="reduce")  # a colour half way between two is nobody's
    page = context.new_page()
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(f"{page.url}: {error}"))
    page.on("console", lambda said: complaints.append(said.text) if is_wrong(said) else None)
    page.on("request", lambda asked: None if asked.url.startswith(address) else complaints.append(asked.url))
    wrong: dict[str, list[str]] = {}
    empty = [(path, "idle") for path in EMPTY[1:]] if every else []
    for path, stage in [*states(page, address), *empty]:
        set_stage(page, address, stage)
        page.goto(f"{address}{path}")
        if path in LIVE:
            page.wait_for_selector(f'body[data-stage="{stage}"]')
        for size, dark in EVERY_LOOK if every else looks(path, stage):
            page.set_viewport_size(size)
            page.evaluate(DARK, dark)
            for found in violations(page):
                where = f"{path} {stage} {size['width']} px {'dark' if dark else 'light'}"
                wrong.setdefault(found, []).append(where)
        if every and path not in LIVE:
            page.emulate_media(media="print")
            for found in violations(page):
                wrong.setdefault(found, []).append(f"{path} on paper")
            page.emulate_media(media="screen")
    set_stage(page, address, NO_DESK)
    context.close()
    assert wrong == {}
    assert complaints == []
