"""Pages on a phone, on a wall and on paper: nothing runs over, nothing is too small for gloves or for distance."""

import io
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
import zxingcpp
from PIL import Image
from playwright.sync_api import Browser, Page, Route, ViewportSize, expect

from tests.journeys.conftest import PHONE
from tests.journeys.technician import tell
from tests.web.fake_engine import CHECKPOINT
from tests.web.fake_views import JOB_ID, STAGE_VIEWS
from tests.web.serving import CROWDED

WALL: ViewportSize = {"width": 1920, "height": 1080}
STAGES = ["idle", *STAGE_VIEWS]
GLOVE_PX = 64


@pytest.fixture(scope="module")
def page(browser: Browser) -> Iterator[Page]:
    context = browser.new_context()
    yield context.new_page()
    context.close()


def set_stage(page: Page, address: str, stage: str) -> None:
    """Have the double be at a stage, or at what else ``tests.web.serving`` knows."""
    tell(page, f"{address}/api/note", kind="show", text=stage)


def show(page: Page, address: str, path: str, stage: str, size: ViewportSize) -> None:
    page.set_viewport_size(size)
    set_stage(page, address, stage)
    page.goto(f"{address}{path}")
    page.wait_for_selector(f'body[data-stage="{stage}"]')


def too_wide(page: Page) -> int:
    return int(page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth"))


def too_small(page: Page, controls: str) -> list[str]:
    """Which of the controls that are there are too small for a glove."""
    found = page.evaluate(
        """([controls, least]) => [...document.querySelectorAll(controls)]
            .map(e => [e.id || e.name || e.textContent.trim().slice(0, 30), e.getBoundingClientRect()])
            .filter(([, r]) => r.width && (r.height < least || r.width < least))
            .map(([n, r]) => `${n} ${r.width}x${r.height}`)""",
        [controls, GLOVE_PX - 0.1],
    )
    return list(found)


@pytest.mark.parametrize("stage", STAGES)
def test_the_bay_page_fits_a_phone_and_gloves(page: Page, address: str, stage: str) -> None:
    show(page, address, "/", stage, PHONE)
    assert too_wide(page) == 0
    assert (
        too_small(page, "button, select, input:not([type=checkbox]), summary, nav a, .checklist label, .mark")
        == []
    )


@pytest.mark.parametrize("path", ["/calibration", "/setup", "/setup?table=compartment"])
def test_forms_fit_a_phone_and_gloves(page: Page, address: str, path: str) -> None:
    page.set_viewport_size(PHONE)
    page.goto(f"{address}{path}")
    for folded in page.locator("main summary").all():
        folded.click()
    assert too_wide(page) == 0
    assert too_small(page, "button, .button, select, input, summary, nav a") == []


@pytest.mark.parametrize(("stage", "figure"), [("drain", "drained"), ("drip", "drained"), ("fill", "to_go")])
def test_the_leading_figure_fills_a_phones_width(page: Page, address: str, stage: str, figure: str) -> None:
    """On a phone some 68 mm wide these digits are 20 mm high: read at three metres with ease (common practice)."""
    show(page, address, "/", stage, PHONE)
    number = page.locator(f'.reading [data-text="{figure}.number"]:visible').first
    assert number.evaluate("e => parseFloat(getComputedStyle(e).fontSize)") > 140
    assert number.evaluate("e => e.scrollWidth - e.clientWidth") <= 0
    page.locator(f'.reading a.why[href="#about-{figure}"]:visible').first.press("Enter")
    expect(page.locator(f"#about-{figure} dd")).to_be_visible()  # what stands behind it has unfolded


def test_the_control_and_its_stop_stay_in_sight(page: Page, address: str) -> None:
    show(page, address, "/", "fill", PHONE)
    for name in ("#hold", "#stop", ".flask"):
        box = page.locator(name).bounding_box()
        assert box is not None
        assert box["y"] + box["height"] <= PHONE["height"], name


@pytest.mark.parametrize(("stage", "size"), [("plan", PHONE), ("drain", WALL), ("fill", PHONE)])
def test_nothing_moves_once_the_page_is_there(
    page: Page, address: str, stage: str, size: ViewportSize
) -> None:
    """Neither when the curve is drawn nor when the stream falls silent: a press would land beside what it was meant for."""
    where = (
        "[...document.querySelectorAll('main, .work, .this-device')].map(e => e.getBoundingClientRect().y)"
    )
    page.route("**/live/curve.json*", lambda route: None)
    show(page, address, "/", stage, size)
    before = page.evaluate(where)
    page.unroute("**/live/curve.json*")
    page.reload()
    expect(page.locator("#live-curve canvas")).to_be_visible()
    assert page.evaluate(where) == before
    page.evaluate("document.getElementById('stale').hidden = false")
    assert page.evaluate(where) == before


TWO_FRAMES = "() => new Promise((drawn) => requestAnimationFrame(() => requestAnimationFrame(drawn)))"
"""Within the first a page hears of another size, within the second it has followed."""


def test_a_page_is_made_anew_once_another_station_speaks(page: Page, address: str) -> None:
    """After an update, or in another language; not while somebody types."""
    asked: list[str] = []

    def speak(route: Route) -> None:
        asked.append("one" if len(asked) < 2 else "another")
        body = f'retry: 50\nevent: station\ndata: "{asked[-1]}"\n\n'
        route.fulfill(content_type="text/event-stream", body=body)

    set_stage(page, address, "idle")
    page.route("**/live", speak)
    page.goto(address)
    page.locator("main input:visible").first.focus()
    page.evaluate("window.old = true")
    while len(asked) < 4:
        page.wait_for_timeout(50)
    assert page.evaluate("window.old") is True
    page.evaluate("document.activeElement.blur()")
    page.wait_for_function("window.old === undefined")
    page.unroute("**/live")


DOCKED = [stage for stage in STAGE_VIEWS if stage not in ("closed", "abandoned")]


SIGHTS = [
    ((360, 640), "100%"),
    ((640, 360), "100%"),
    ((320, 560), "100%"),
    ((360, 640), "200%"),
    ((320, 560), "200%"),
]


@pytest.mark.parametrize("stage", DOCKED)
def test_the_next_action_is_in_reach_of_a_thumb_in_every_stage(page: Page, address: str, stage: str) -> None:
    show(page, address, "/", stage, {"width": 360, "height": 640})
    for (width, height), text in SIGHTS:
        seen = f"{width} × {height} at {text}"
        page.set_viewport_size({"width": width, "height": height})
        page.evaluate(f"document.documentElement.style.fontSize = '{text}'")
        page.evaluate(TWO_FRAMES)
        action = page.locator("#next:visible, #hold:visible").first
        box, figure = action.bounding_box(), page.locator(".dock-figure").bounding_box()
        assert box is not None, seen
        assert figure is not None, seen
        assert box["x"] >= 0, seen
        assert box["x"] + box["width"] <= width, seen
        assert 0 <= figure["y"] < height - 40, seen
        assert box["y"] + min(box["height"], 64) <= height, seen
        assert too_wide(page) == 0, seen


def test_a_known_job_begins_in_two_taps_and_the_name_is_remembered(page: Page, address: str) -> None:
    sent: list[str] = []
    for _ in range(2):
        show(page, address, "/", "idle", {"width": 360, "height": 640})
        page.click('[data-compartment="b12_rear_axle"]')
        if page.input_value('[name="technician"]') == "":
            page.fill('[name="technician"]', "M. Okafor")
        box = page.locator("#plan [type=submit]").bounding_box()
        assert box is not None
        assert box["y"] + box["height"] <= 640
        with page.expect_request("**/api/job") as asked:
            page.click("#plan [type=submit]")
        sent.append(asked.value.post_data or "")
    assert len(sent) == 2
    assert all('"technician":"M. Okafor"' in body and "2.9 L" in body for body in sent)


def test_a_vehicle_is_found_by_parts_of_its_name(page: Page, address: str) -> None:
    show(page, address, "/", "idle", PHONE)
    page.fill("#plan-find", "trans bus")
    assert page.locator(".tile:visible").all_inner_texts()[0].startswith("Bus 12 transfer case")
    assert page.locator(".tile:visible").count() == 2, "the one that was sought, and another vehicle"


def test_a_second_tap_within_a_moment_does_nothing(page: Page, address: str) -> None:
    show(page, address, "/", "drain", PHONE)
    sent: list[str] = []
    page.on("request", lambda request: sent.append(request.url) if "/api/" in request.url else None)
    with page.expect_response("**/api/**"):
        page.evaluate(
            """() => { document.querySelector('#next').click(); document.querySelector('[data-mark], [data-tick]').click(); }"""
        )
    assert len(sent) == 1, sent


def test_what_is_being_pressed_is_not_replaced_until_it_is_let_go(page: Page, address: str) -> None:
    """A view comes ten times a second, and a press takes as long as that: its click would go with the old control."""
    show(page, address, "/", "drip", PHONE)
    page.hover("#next")
    page.mouse.down()
    set_stage(page, address, "leak watch")
    page.wait_for_selector('body[data-stage="leak watch"]')
    with page.expect_request("**/api/mark") as asked:
        page.mouse.up()
    assert '"drain_done"' in (asked.value.post_data or "")
    expect(page.locator('#next[data-mark="drain_done"]')).to_have_count(0)


def in_sight(page: Page, *expected: float) -> None:
    """Wait until the curve of a job of 4.2 minutes shows the minutes that are named: from, to."""
    told = page.locator("#curve-say")
    expect(told).to_contain_text(f"Minutes {expected[0]:.1f} to {expected[1]:.1f}:")


def test_a_curve_is_moved_by_mouse_by_finger_and_by_keys(browser: Browser, address: str) -> None:
    page = browser.new_context(viewport={"width": 360, "height": 640}, has_touch=True).new_page()
    page.goto(f"{address}/jobs/{JOB_ID}")
    in_sight(page, 0.0, 4.2)
    expect(page.locator("#curve-say")).to_contain_text("thinned")
    over = page.locator("#curve-plots .u-over").first
    over.scroll_into_view_if_needed()
    box = over.bounding_box()
    assert box is not None
    y = box["y"] + 40

    def x(part: float) -> float:
        return box["x"] + part * box["width"]

    def drag(begin: float, end: float) -> None:
        page.mouse.move(x(begin), y)
        page.mouse.down()
        page.mouse.move(x(end), y, steps=4)
        page.mouse.up()

    def touch(kind: str, *parts: float) -> None:
        points = [{"x": x(part), "y": y, "id": n} for n, part in enumerate(parts)]
        devtools.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    drag(0.25, 0.75)  # of the whole there is nothing to move along to: a part is chosen
    in_sight(page, 1.0, 3.1)
    drag(0.75, 0.25)
    in_sight(page, 2.1, 4.2)
    devtools = page.context.new_cdp_session(page)
    touch("touchStart", 0.25)
    touch("touchMove", 0.5)
    touch("touchMove", 0.75)
    touch("touchEnd")
    in_sight(page, 1.0, 3.1)
    touch("touchStart", 0.4)
    touch("touchStart", 0.4, 0.6)
    touch("touchMove", 0.3, 0.7)
    touch("touchEnd")
    in_sight(page, 1.6, 2.6)
    page.locator("#curve-plots").focus()
    page.keyboard.press("+")
    page.keyboard.press("+")
    page.keyboard.press("+")
    page.keyboard.press("Home")
    in_sight(page, 0.0, 0.1)
    expect(page.locator("#curve-say")).to_contain_text("every sample")
    page.keyboard.press("0")
    in_sight(page, 0.0, 4.2)
    page.click("#curve-closer")
    page.click("#curve-later")
    in_sight(page, 2.1, 4.2)


@pytest.mark.parametrize("stage", STAGES)
def test_the_wall_needs_no_scrolling(page: Page, address: str, stage: str) -> None:
    show(page, address, "/wall", stage, WALL)
    assert too_wide(page) == 0
    assert page.evaluate("document.documentElement.scrollHeight") <= WALL["height"]


RECORDS = (
    "/jobs",
    f"/jobs/{JOB_ID}",
    f"/jobs/{JOB_ID}/sheet",
    f"/jobs/{CROWDED}",
    "/nowhere",
    "/usage",
    "/quality",
    "/due",
    "/expected",
    "/setup?table=compartment",
    "/calibration",
    "/changes",
    "/sign-in",
    "/jobs?vehicle=Bus%2012",
)


SQUEEZED = """() => [...document.querySelectorAll('th, td')]
    .filter(e => e.clientWidth && e.clientWidth < 72 && e.innerText.trim().length > 16)
    .map(e => e.innerText.trim().slice(0, 40))"""


@pytest.mark.parametrize("path", RECORDS)
def test_records_fit_a_phone_a_desk_and_large_text(page: Page, address: str, path: str) -> None:
    """WCAG 2.2, success criteria 1.4.10 (reflow at 320 CSS px) and 1.4.4 (text at 200 %). A column that has no width
    breaks its words letter by letter."""
    page.set_viewport_size({"width": 1280, "height": 900})
    page.goto(f"{address}{path}")
    assert page.evaluate(SQUEEZED) == []
    for width, text in ((390, "100%"), (320, "100%"), (320, "200%")):
        page.set_viewport_size({"width": width, "height": 640})
        page.evaluate(f"document.documentElement.style.fontSize = '{text}'")
        assert too_wide(page) == 0, f"{width} px at {text}"
        if text == "100%":
            assert page.evaluate(SQUEEZED) == [], f"{width} px"


def test_paper_has_room_for_a_job(page: Page, address: str, tmp_path: Path) -> None:
    page.goto(f"{address}/jobs/{JOB_ID}")
    pdf = page.pdf(path=tmp_path / "job.pdf", format="A4")
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf)) <= 4
    page.emulate_media(media="print")
    assert page.locator("button:visible, input:visible, select:visible, textarea:visible").count() == 0
    page.emulate_media(media="null")


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("job_id", [JOB_ID, CROWDED])
def test_the_sheet_is_two_pages_of_paper_from_a_browser_too(
    page: Page, address: str, paper: str, job_id: str, tmp_path: Path
) -> None:
    page.goto(f"{address}/jobs/{job_id}/sheet")
    pdf = page.pdf(path=tmp_path / "sheet.pdf", format=paper)
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf)) == 2


def test_a_tile_says_that_its_job_is_done_once_it_has_ended(page: Page, address: str) -> None:
    """The page stands open all day; what the station says of each tile is asked anew, and nothing else is touched."""

    def later(route: Route) -> None:
        reply = route.fetch()
        if route.request.resource_type == "document":
            route.fulfill(response=reply)
        else:
            route.fulfill(response=reply, body=reply.text().replace("<small>", "<small>last done today, "))

    page.route(f"{address}/", later)
    try:
        show(page, address, "/", "leak watch", PHONE)
        set_stage(page, address, "closed")
        page.wait_for_selector('body[data-stage="closed"]')
        page.fill("#plan-find", "12")
        expect(page.locator(".tile small").first).to_contain_text("last done today")
        assert page.input_value("#plan-find") == "12"
    finally:
        page.unroute(f"{address}/")


def test_a_sheet_on_a_phone_breaks_no_word_in_its_runs_of_the_pump(page: Page, address: str) -> None:
    page.set_viewport_size(PHONE)
    page.goto(f"{address}/jobs/{CROWDED}/sheet")
    broken = page.locator(".runs th, .runs td").evaluate_all(
        """cells => cells.flatMap(cell => {
            const text = cell.firstChild, range = document.createRange();
            return [...text.data.matchAll(/\\S+/g)].filter(word => {
                range.setStart(text, word.index);
                range.setEnd(text, word.index + word[0].length);
                return range.getClientRects().length > 1;
            }).map(word => word[0]);
        })"""
    )
    assert page.locator(".runs th").count() == 6
    assert broken == []
    assert too_wide(page) <= 0


def test_the_signature_on_a_printed_sheet_can_be_read_back(browser: Browser, address: str) -> None:
    page = browser.new_page(device_scale_factor=2)  # 28 mm of paper at 192 dots an inch: a poor scan
    page.goto(f"{address}/jobs/{JOB_ID}/sheet")
    page.emulate_media(media="print")
    picture = Image.open(io.BytesIO(page.locator(".qr").screenshot()))
    page.close()
    (code,) = zxingcpp.read_barcodes(picture)
    assert code.text == CHECKPOINT
