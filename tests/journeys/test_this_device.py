"""What one phone does for whoever holds it: tones, vibration, a screen that stays on, a dark page."""

from playwright.sync_api import Browser, Route, expect

from tests.journeys.test_layout import set_stage, show

LISTEN = """
window.heard = [];
navigator.vibrate = (pattern) => { window.heard.push(["shake", pattern.length]); return true; };
AudioContext.prototype.createOscillator = function () {
  window.heard.push(["tone"]);
  return { frequency: {}, connect: (to) => to, start() {}, stop() {} };
};
window.locks = 0;
Object.defineProperty(navigator, "wakeLock", { value: { request: async () => { window.locks++; return new EventTarget(); } } });
"""


def test_tones_vibration_and_the_screen_follow_their_switches(browser: Browser, address: str) -> None:
    context = browser.new_context(viewport={"width": 360, "height": 640})
    context.add_init_script(LISTEN)
    page = context.new_page()
    show(page, address, "/", "fill", {"width": 360, "height": 640})

    def turn(moment: str) -> list[object]:
        page.evaluate("window.heard = []")
        set_stage(page, address, moment)
        page.wait_for_selector(f'body[data-stage="{moment.split()[0]}"]')
        page.wait_for_timeout(50)
        return list(page.evaluate("window.heard"))

    assert turn("drip over") == [], "nothing is on until somebody throws a switch"
    turn("plan")
    page.click("text=Sound, vibration, screen")
    for name in ("sound", "shake", "awake"):
        page.click(f'.switches [data-device="{name}"]')
        assert page.get_attribute(f'.switches [data-device="{name}"]', "aria-pressed") == "true"
    assert page.evaluate("window.locks") == 1
    assert turn("drip over") == [["tone"], ["tone"], ["shake", 4]]
    assert turn("plan") == []
    context.close()


def test_where_a_page_cannot_keep_the_screen_on_it_says_what_to_set(browser: Browser, address: str) -> None:
    context = browser.new_context()
    context.add_init_script("delete Navigator.prototype.wakeLock")  # as on an address without https
    page = context.new_page()
    page.route(address + "/", _in_other_words)
    page.goto(address + "/")
    page.click("text=Sound, vibration, screen")
    page.click('.switches [data-device="awake"]')
    expect(page.locator("#device-says")).to_contain_text("Set the phone's own screen time-out")
    page.reload()
    expect(page.locator('.switches [data-device="awake"]')).to_have_attribute("aria-pressed", "true")
    context.close()


def _in_other_words(route: Route) -> None:
    """The page of a shop whose word for "on" is another; what a switch was set to must not hang on it."""
    page = route.fetch()
    words = '<script type="application/json" id="words">{"on": "an", "off": "aus"}</script></head>'
    route.fulfill(response=page, body=page.text().replace("</head>", words))


def test_a_dark_page_is_dark_from_the_first_paint_and_paper_stays_light(
    browser: Browser, address: str
) -> None:
    context = browser.new_context(color_scheme="light")
    page = context.new_page()
    ground = "getComputedStyle(document.body).backgroundColor"
    page.goto(address)
    light = page.evaluate(ground)
    page.click("text=Sound, vibration, screen")
    page.click('.switches [data-device="dark"]')
    dark = page.evaluate(ground)
    assert dark != light
    page.goto(f"{address}/jobs")
    assert page.evaluate(ground) == dark
    page.emulate_media(media="print")
    assert page.evaluate(ground) in (light, "rgb(255, 255, 255)")
    context.close()


def test_without_a_choice_the_page_is_as_dark_as_the_device(browser: Browser, address: str) -> None:
    context = browser.new_context(color_scheme="dark")
    page = context.new_page()
    is_dark = "document.documentElement.classList.contains('dark')"
    page.goto(address)
    assert page.evaluate(is_dark) is True
    page.emulate_media(color_scheme="light")
    page.reload()
    assert page.evaluate(is_dark) is False
    context.close()
