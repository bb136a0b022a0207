"""Whatever goes wrong while the pump runs, it stops, and the page says why."""

import re
import signal
import time
from collections.abc import Callable, Iterator

import pytest
from playwright.sync_api import Page, expect

from tests.journeys.conftest import Station, serving
from tests.journeys.technician import Technician, until


@pytest.fixture(scope="module")
def station(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Station]:
    """One for all of them: each stops the pump and begins with a page of its own."""
    with serving(tmp_path_factory.mktemp("pump")) as station:
        yield station


@pytest.fixture
def person(phone: Page) -> Technician:
    """A technician in one long fill, with the hose in a waste vessel: nothing runs over, and nothing is full."""
    person = Technician(phone)
    if person.get("/view.json")["job"] is None:
        person.open_job()
        person.to_fill()
        person.bench("hose_in_waste")  # a new job is a new vehicle
    for verb in ("replug_pan", "replug_supply"):  # whatever the test before has left
        person.bench(verb)
    person.reach("fill")
    until(lambda: person.get("/view.json")["blocked"] is None, "every sensor read")
    return person


def _hold(person: Technician, down: Callable[[], None], up: Callable[[], None]) -> None:
    """Hold until the pump turns. A busy computer may lose a beat, and what lapsed has to be pressed again."""
    end_s = time.monotonic() + 60.0
    while time.monotonic() < end_s:
        down()
        pressed_s = time.monotonic()
        while time.monotonic() < pressed_s + 5.0:
            if person.pump_on():
                return
            time.sleep(0.02)
        up()
    pytest.fail("the pump does not turn")


def _run(person: Technician, control: str = "#hold") -> None:
    _hold(person, lambda: person.press(control), person.let_go)


SOON_S = 2.0
TRIES = 3
"""A computer that is busy for a while shows it late; a page that is late is late every time."""


def _pump_is_off(person: Technician) -> bool:
    return not person.get("/view.json")["pump_on"]


def _stops_soon(
    person: Technician,
    does: Callable[[], object],
    undone: Callable[[], object] = lambda: None,
    run: Callable[[], object] | None = None,
) -> None:
    """Run the pump, by the page's control unless told how, and do what is to stop it; undone: before the next try. Leaves the
    control held. A hold that lapsed by itself, as on a busy computer, shows nothing: the page says so, and it is held again."""
    took_s = float("inf")
    for n in range(3 * TRIES):
        if n:
            undone()
            person.let_go()
        if run is None:
            _run(person)
        else:
            run()
        does()
        took_s = until(lambda: _pump_is_off(person), "pump off")
        time.sleep(0.5)
        lapsed = "interrupted" in (person.page.locator("#message").text_content() or "")
        if took_s <= SOON_S and not lapsed:
            return
        if n >= TRIES - 1 and not lapsed:
            break
    pytest.fail(f"pump off after {took_s:.1f} s, late or by itself each time")


def _unplug(page: Page, verb: str) -> None:
    """From a second hand: the first one holds the control."""
    page.evaluate("verb => document.querySelector(`[data-bench=${verb}]`).click()", verb)


@pytest.mark.parametrize(
    ("unplug", "replug", "words"),
    [("unplug_pan", "replug_pan", "Pan: "), ("unplug_supply", "replug_supply", "Thermometer, supply: ")],
)
def test_an_unplugged_sensor_shows_within_two_seconds_and_stops_the_pump(
    phone: Page, person: Technician, unplug: str, replug: str, words: str
) -> None:
    took_s = float("inf")
    for _ in range(TRIES):
        if took_s <= SOON_S:
            break
        _run(person)
        _unplug(phone, unplug)
        start_s = time.monotonic()
        until(lambda: words in (phone.locator(".faults").text_content() or ""), "the fault shown")
        until(lambda: not person.pump_on(), "pump off")
        took_s = time.monotonic() - start_s
        assert person.get("/view.json")["pump_on"] is False
        # A busy computer lets go by itself, and what stopped the pump is then what blocks it.
        expect(phone.locator("#pump-line")).to_contain_text(re.compile("Stopped: |Pump is blocked: "))
        person.let_go()
        expect(phone.locator(".notices .stops", has_text=words).first).to_be_visible()
        _unplug(phone, replug)
        until(lambda: not (phone.locator(".faults").text_content() or "").strip(), "the fault mended")
    assert took_s <= SOON_S
    assert person.get("/view.json")["job"] is not None
    time.sleep(1.0)
    assert not person.pump_on()
    _run(person)
    person.let_go()


def test_a_page_that_loses_the_focus_lets_go(phone: Page, person: Technician) -> None:
    _stops_soon(person, lambda: phone.evaluate("dispatchEvent(new Event('blur'))"))
    until(lambda: not person.pump_on(), "and the page says so")
    assert not person.pump_on()


def test_a_hidden_page_lets_go(phone: Page, person: Technician) -> None:
    hides = (
        "hidden => { Object.defineProperty(document, 'hidden', {value: hidden, configurable: true});"
        "document.dispatchEvent(new Event('visibilitychange')); }"
    )
    _stops_soon(person, lambda: phone.evaluate(hides, True), lambda: phone.evaluate(hides, False))


def test_a_closed_page_lets_go(phone: Page, person: Technician) -> None:
    took_s = float("inf")
    for _ in range(TRIES):
        if took_s <= SOON_S:
            break
        held = phone.context.new_page()
        held.goto(phone.url)
        _run(Technician(held))
        held.close()
        took_s = until(lambda: _pump_is_off(person), "pump off")
    assert took_s <= SOON_S


def test_a_lost_network_lets_go_and_does_not_start_again_by_itself(phone: Page, person: Technician) -> None:
    told = False
    cut = "() => { window.realFetch = window.fetch; window.fetch = () => new Promise(() => {}); }"
    back = "() => { window.fetch = window.realFetch; }"
    # Where a busy computer's guard is the first to stop the pump, the page speaks of no network.
    for _ in range(5):
        if told:
            break
        _stops_soon(person, lambda: phone.evaluate(cut), lambda: phone.evaluate(back))
        expect(phone.locator("#hold[data-pressed]")).to_have_count(0)
        told = phone.locator("#message").is_visible()
        phone.evaluate(back)
        time.sleep(1.0)
        assert not person.get("/view.json")["pump_on"]
        person.let_go()
    assert told


def test_that_the_station_was_out_of_reach_goes_once_it_is_heard_again(
    phone: Page, person: Technician
) -> None:
    _run(person)
    phone.evaluate(
        """() => { window.realFetch = window.fetch; window.fetch = (path, ...more) => path === "/api/hold" ?
        Promise.reject(new TypeError("no network")) : window.realFetch(path, ...more); }"""
    )
    until(lambda: _pump_is_off(person), "pump off")
    person.let_go()
    person.press("#hold")  # a busy computer may have lost a beat just before, and the page said that
    expect(phone.locator("#message")).to_contain_text("cannot be reached")
    phone.evaluate("() => { window.fetch = window.realFetch; }")
    person.let_go()
    expect(phone.locator("#message")).to_be_hidden()


def test_a_session_that_ends_lets_go_and_the_page_says_where_to_sign_in(
    phone: Page, person: Technician
) -> None:
    """Stop goes through without it; that the station refuses such a hold is shown in tests/station/bay/test_engine.py."""
    ends = """() => { window.realFetch = window.fetch; window.fetch = (path, ...more) => path === "/api/hold" ?
        Promise.resolve(new Response('{"text": "Sign in first"}', {status: 401})) : realFetch(path, ...more); }"""
    _stops_soon(
        person,
        lambda: phone.evaluate(ends),
        lambda: phone.evaluate("() => { window.fetch = window.realFetch; }"),
    )
    person.let_go()
    person.press("#hold")  # a busy computer may have lost a beat just before, and the page said that
    expect(phone.locator("#message")).to_contain_text("nobody is signed in here any more")
    expect(phone.locator("#message a")).to_have_attribute("href", "/sign-in?to=%2F")
    expect(phone.locator("#stop")).to_be_enabled()
    person.let_go()


def test_the_keyboard_holds_as_the_pointer_does(phone: Page, person: Technician) -> None:
    def down() -> None:
        phone.focus("#hold")  # each time anew: what a busy computer said of the last hold may have taken it
        phone.keyboard.down(" ")

    _stops_soon(
        person,
        lambda: phone.keyboard.up(" "),
        run=lambda: _hold(person, down, lambda: phone.keyboard.up(" ")),
    )


def test_stop_stops_the_pump_though_the_pendant_is_held(phone: Page, person: Technician) -> None:
    _stops_soon(
        person,
        lambda: phone.evaluate("document.getElementById('stop').click()"),
        run=lambda: _run(person, "#pendant"),
    )
    until(lambda: not person.pump_on(), "and the page says so")
    assert not person.pump_on()
    person.let_go()
    time.sleep(0.5)
    _run(person, "#pendant")
    person.let_go()


def test_silence_of_the_station_is_shown_and_holds_no_pump(
    phone: Page, person: Technician, station: Station
) -> None:
    took_s = float("inf")
    try:
        for n in range(TRIES):
            if n:
                station.process.send_signal(signal.SIGCONT)
                expect(phone.locator("#stale")).to_be_hidden()
                person.let_go()
            _run(person)
            station.process.send_signal(signal.SIGSTOP)
            took_s = until(lambda: phone.locator("#stale").is_visible(), "said that nothing is heard")
            if took_s <= SOON_S:
                break
        assert took_s <= SOON_S
        expect(phone.locator("#hold")).not_to_have_attribute("data-pressed", "")
        expect(phone.locator("#message")).to_be_visible()
        top = "document.elementFromPoint(innerWidth / 2, 10).closest('#stale') !== null"
        assert phone.evaluate(top), "no message hides that the figures are old"
        expect(phone.locator("#pump-line")).to_be_hidden()
        expect(phone.locator(".unheard")).to_contain_text("whether the pump runs is not known")
    finally:
        station.process.send_signal(signal.SIGCONT)
    expect(phone.locator("#stale")).to_be_hidden()
    expect(phone.locator(".unheard")).to_be_hidden()
    time.sleep(1.0)
    assert not person.pump_on()
