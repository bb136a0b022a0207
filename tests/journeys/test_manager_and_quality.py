"""The manager enters a delivery and a count and reads the audit; the quality lead reads charts of closed jobs."""

import io
import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import uvicorn
from PIL import Image
from playwright.sync_api import Browser, Page, ViewportSize, expect

from station.common.days import zone_of
from station.given.config import demo_path, read_config
from station.people.access import Access
from station.record import outbox
from station.record.ledger import job_row, now
from station.record.many.store import Store
from station.record.recorder import Recorder
from station.rehearsing import depot
from station.shop import catalogue, offered
from tests.journeys.conftest import Station, serving
from tests.journeys.technician import PART_PATIENCE_S, Technician, follow, until
from tests.journeys.test_every_page import violations
from tests.journeys.test_layout import WALL
from tests.rolled import COMPANY, ZONE, bay_of, give
from tests.web.fake_engine import job_record, measuring
from web.many import create_app

JOBS = 26


def _catalogue() -> list[catalogue.Change]:
    """The demo bay's own entries and a drum."""
    drum = {"fluid": "gear_75w90", "size": "60 L"}
    config = read_config(demo_path())
    return [*offered.from_config(config), catalogue.Change("container", ("drum 1",), "add", drum)]


@pytest.fixture
def tmp_ledger(tmp_path: Path) -> Path:
    """A ledger where the station will look for its own, with closed jobs of the last days; the newest one short."""
    path = tmp_path / "var" / "demo-ledger.sqlite"
    recorder = Recorder(path, lambda fault: pytest.fail(str(fault)))
    recorder.event(None, catalogue.EVENT, catalogue.body(_catalogue(), "test"), now(0.0))
    begun = datetime.now(UTC) - timedelta(hours=JOBS + 2)
    for n in range(JOBS):
        filled_l = 2.60 if n == JOBS - 1 else 2.87 + (0.01 if n % 2 else -0.01)
        verdict = "short" if n == JOBS - 1 else "full"
        job = measuring(
            job_record(),
            drained_l=2.81,
            filled_l=filled_l,
            proved_fill_l=filled_l,
            metered_l=filled_l,
            overflow_l=0.0,
            verdict=verdict,
        )
        report = job.measured
        labels = {"vehicle": f"Bus {n % 5}", "compartment": "rear axle", "technician": "M. Okafor"}
        labels |= {"fluid": "gear_75w90", "bay": "Bay 1", "meter": "Bay 1 meter", "method": "cover removed"}
        utc = (begun + timedelta(hours=n)).isoformat(timespec="milliseconds")
        opened = {"job": {"capacity": "2.9 L", "method": "cover removed", "labels": labels}}
        recorder.event(f"old{n}", "job_open", opened, now(0.0))
        recorder.result(f"old{n}", report, job_row(f"old{n}", utc, utc, labels, report), now(0.0))
    recorder.close()
    return path


@pytest.fixture
def page(tmp_ledger: Path, phone: Page) -> Page:
    """The bay page of a station that began on that ledger."""
    return phone


def enter(page: Page, kind: str, volume: str) -> None:
    page.select_option('#movement [name="kind"]', kind)
    page.select_option('#movement [name="container"]', "drum 1")
    assert page.input_value('#movement [name="fluid"]') == "gear_75w90"
    page.fill('#movement [name="volume"]', volume)
    page.fill('#movement [name="u95"]', "0.1 L")
    if not page.input_value(
        '#movement [name="technician"]'
    ):  # this device remembers it from the first entry on
        page.fill('#movement [name="technician"]', "J. Lindqvist")
    with page.expect_navigation():
        page.click("text=Enter it")


def test_a_month_of_fluid_and_a_season_of_fills(page: Page, station: Station) -> None:
    address = station.address.rstrip("/")
    page.goto(f"{address}/usage")
    enter(page, "counted", "20.0 L")
    enter(page, "received", "30.0 L")
    expect(page.locator(".stock")).to_contain_text("50.00 ± 0.15 L")
    enter(page, "waste", "1.5 L")
    enter(page, "counted", "46.0 L")
    expect(page.locator(".sums")).to_contain_text("1.50 L")
    takes = page.locator("section", has_text="Stock takes").locator("tbody")
    expect(takes).to_contain_text("2.50 ±")  # 20 + 30 − 46 = 4 L are gone, 1.5 L of them are booked
    expect(takes).to_contain_text("more went out than is booked")
    expect(page.locator(".entered tbody tr")).to_have_count(4)

    page.goto(f"{address}/quality")
    expect(page.locator(".chart svg")).to_have_count(3)
    expect(page.locator(".chart-text")).to_contain_text(f"n = {JOBS}")
    page.locator(".chart svg a", has_text="beyond three sigma").first.click()
    expect(page).to_have_url(re.compile(f"/jobs/old{JOBS - 1}$"))
    expect(page.locator(".verdict")).to_contain_text("Short")


def test_a_capacity_in_another_unit_is_asked_about_before_the_fill(phone: Page) -> None:
    technician = Technician(phone)
    technician.pick("b12_rear_axle", unfold=True)
    phone.fill('[name="technician"]', "M. Okafor")
    expect(phone.locator("#plan-preview")).to_contain_text("2.871 ± 0.075 L expected, listed")
    phone.fill('[name="capacity"]', "2.9")
    expect(phone.locator("#plan-preview")).to_contain_text("Listed capacity: add the unit")
    phone.click("text=Open the job")
    expect(phone.locator(".objection")).to_contain_text("Listed capacity: add the unit")
    expect(phone.locator('[name="capacity"]')).to_be_focused()
    expect(phone.locator("#message")).to_be_hidden()
    phone.fill('[name="capacity"]', "2.9 US gallon")
    expect(phone.locator(".objection")).to_have_count(0)
    expect(phone.locator("#plan-preview")).to_contain_text("10.87 ± 0.29 L expected, listed")
    expect(phone.locator("#plan-preview .caution-box", has_text="Have 11.12 L ready")).to_be_visible()
    phone.click("#plan-more summary")  # as a tile leaves it: the question unfolds it
    phone.click("text=Open the job")
    expect(phone.locator("#message")).to_contain_text("the catalogue lists 2.9 L")
    phone.fill('[name="capacity_reason"]', "so it says on the cover")
    phone.click("text=Open the job")
    technician.reach("plan")
    technician.tick_all()
    technician.mark("pan_placed")
    technician.mark("drain_open")
    technician.bench("open_drain")
    technician.bench("fastest")
    until(
        lambda: (technician.get("/view.json")["drained_l"] or 0.0) > 2.6,
        "most of it drained",
        PART_PATIENCE_S,
    )
    technician.bench("normal")
    technician.mark("drain_done")
    technician.reach("reseal")
    phone.select_option('#condition [name="metal"]', "flakes")
    phone.click("text=Note its condition")
    expect(phone.locator("#condition button")).to_contain_text("Noted")
    for mark in ("reseal_done", "fill_start"):
        technician.mark(mark)
    expect(phone.locator("#unit")).to_be_visible()
    expect(phone.locator("#unit-text")).to_contain_text("US gallon")
    assert technician.stage() == "reseal"
    phone.fill('#unit-right [name="reason"]', "read again from the plate")
    phone.click("#unit-right button")
    expect(phone.locator("#unit")).to_be_hidden()
    technician.mark("fill_start")
    technician.reach("fill")

    job_id = technician.get("/view.json")["job"]["job_id"]
    phone.goto(f"{phone.url.rstrip('/')}/jobs/{job_id}")
    expect(phone.locator("main")).to_contain_text("Unit mix-up")
    expect(phone.locator("main")).to_contain_text("Flakes: more than wear")
    phone.click("text=Add a photo")
    picture = io.BytesIO()
    Image.new("RGB", (64, 48), (120, 80, 30)).save(picture, "PNG")
    phone.set_input_files(
        '#photo [name="file"]', {"name": "m.png", "mimeType": "image/png", "buffer": picture.getvalue()}
    )
    phone.fill('#photo [name="text"]', "magnet of the drain plug")
    with phone.expect_navigation():
        phone.click("#photo button")
    expect(phone.locator(".photos img")).to_have_js_property("naturalWidth", 64)


def look_around(page: Page, address: str) -> None:
    """A newcomer follows the first look around of the simulated depot by its own words, as far as its answers stay folded."""
    page.goto(address)
    newcomer, guide = Technician(page), page.locator("#guide section:visible")
    expect(guide).to_contain_text("Pick Bus 12 rear axle, say who you are, and open it")
    newcomer.open_job()
    expect(page.locator("#dock #next")).to_be_visible()  # "the box at the foot of the screen"
    expect(page.locator('[data-bench="open_drain"]')).to_be_visible()  # "open the drain there"
    newcomer.follow("#guide-go")  # "a job may be left open and gone back to"
    expect(guide).to_contain_text("yours on top. Open one")
    newcomer.follow("main tbody a >> nth=0")
    expect(page.locator("h1")).to_contain_text("Bus 12")
    expect(page.get_by_role("link", name="Sheet to print")).to_be_visible()
    for asked, there in (
        ("Which fills came up short", "Short fills, the shortest first"),
        ("Go back month by month", "Earlier month"),
        ("most urgent service stands on top", "Service due"),
        ("One listing cannot be right", "Expected fills"),
    ):
        newcomer.follow("#guide-go")
        expect(guide).to_contain_text(asked)
        expect(page.locator("main")).to_contain_text(there)
    page.click("#guide-go")  # the answers stand on the same page, and say nothing before they are asked
    expect(guide).to_contain_text("Found them all?")
    expect(page.locator(".found ol")).to_be_hidden()


@contextmanager
def rolled_up(store: Store) -> Iterator[str]:
    """The address of the pages over many bays."""
    app = create_app(store, Access(None), simulated=True)
    server = uvicorn.Server(uvicorn.Config(app, port=0, log_config=None, timeout_graceful_shutdown=1))
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        until(lambda: server.started, "the roll-up")
        yield f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join()


def _nobody_scrolls_a_wall_of_sixteen(page: Page) -> None:
    desk = page.viewport_size
    assert desk is not None
    # The wall is loaded anew once its tiles are not those of the stream; these sixteen are nobody's.
    page.route("**/wall/live", lambda route: route.abort())

    def is_heard() -> bool:
        page.reload()
        return page.locator("[data-live=yes]").count() > 0

    until(is_heard, "a bay that was heard just then, as the page has it without the stream")
    page.evaluate(
        """() => { const one = document.querySelector("[data-live=yes]");
        for (const [part, text] of [["job", "Bus 14 · transfer case"], ["label", "Filled"], ["figure", "12.818 L"], ["doubt", "± 0.017 L"],
            ["verdict", "? Undecided"], ["said", "No reading of the pan for 12 s"]]) one.querySelector(`[data-part=${part}]`).textContent = text;
        while (one.parentElement.children.length < 16) one.parentElement.append(one.cloneNode(true)); }"""
    )
    for size in (WALL, ViewportSize(width=1080, height=1920)):
        page.set_viewport_size(size)
        below = "document.documentElement.scrollHeight - innerHeight"
        assert page.evaluate(below) <= 0, size
        wide = "[...document.querySelectorAll('.bay-now')].filter(e => e.scrollWidth > e.clientWidth).length"
        assert page.evaluate(wide) == 0, size
    page.unroute("**/wall/live")
    page.set_viewport_size(desk)


def _what_is_missing_fits_a_phone(page: Page) -> None:
    desk = page.viewport_size
    assert desk is not None
    page.locator("td.amount .chip").first.evaluate(
        "e => { e.dataset.tone = 'look'; e.textContent = '⚠ 102.63 ± 0.22 L'; }"
    )
    page.set_viewport_size(ViewportSize(width=390, height=844))
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
    page.set_viewport_size(desk)


def test_a_manager_of_many_bays_goes_from_the_wall_to_a_short_fills_curve_and_prints_the_month(
    browser: Browser, store: Store, tmp_path: Path
) -> None:
    ledger = tmp_path / "var" / "demo-ledger.sqlite"
    ledger.parent.mkdir()
    [part] = depot.parts(["Bay 1"])
    depot.begin(ledger, zone_of(ZONE), part=part)
    with serving(tmp_path) as bay, rolled_up(store) as address:
        token = store.enter_bay(COMPANY, "harbour", "bay-1", ZONE, bay.address.rstrip("/"))
        store.enter_bay(COMPANY, "harbour", "bay-2", ZONE)
        for after in range(0, outbox.newest(ledger), 2000):
            assert give(store, bay_of(store, token), outbox.batch(ledger, after, 2000)).fault is None
        page = browser.new_page(viewport={"width": 1440, "height": 900}, reduced_motion="reduce")
        complaints: list[str] = []
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto(f"{address}/wall")
        expect(page.locator("[data-live=yes]")).to_contain_text("idle")  # from the bay's own stream
        assert violations(page) == []
        _nobody_scrolls_a_wall_of_sixteen(page)
        page.click("text=More")
        follow(page, "nav >> text=Quality")
        follow(page, "text=12 months")
        assert violations(page) == []
        follow(page, "section:has-text('Short fills, the worst first') >> tbody a >> nth=0")
        expect(page.locator(".verdict")).to_contain_text("Short")
        assert violations(page) == []
        page.click("text=Its curve and its sheet")
        expect(page).to_have_url(re.compile(f"{bay.address}jobs/"))
        expect(page.locator("#curve-plots canvas").first).to_be_visible()
        page.goto(f"{address}/lists/harbour")
        assert violations(page) == []
        page.goto(f"{address}/usage")
        follow(page, "text=Earlier month")
        _what_is_missing_fits_a_phone(page)
        page.emulate_media(media="print")
        expect(page.locator("h1")).to_contain_text("Usage ")
        expect(page.locator("table").first).to_contain_text("harbour")
        expect(page.locator("header.top")).to_be_hidden()
        expect(page.locator(".tabs")).to_be_hidden()
        assert page.pdf(format="A4").startswith(b"%PDF")
        page.close()
        page = browser.new_page(viewport={"width": 360, "height": 640})
        page.on("pageerror", lambda error: complaints.append(str(error)))
        look_around(page, bay.address)
        assert complaints == []
        page.close()
