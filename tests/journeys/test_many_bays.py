"""A manager of many bays, on a phone: a bay is entered, moved, moved back, retired and brought back, without a shell."""

import re
from contextlib import closing
from pathlib import Path

from playwright.sync_api import Browser, Page, expect

from station.record import outbox
from station.record.many.store import Store
from tests.journeys.conftest import PHONE
from tests.journeys.technician import follow
from tests.journeys.test_every_page import violations
from tests.journeys.test_manager_and_quality import rolled_up
from tests.rolled import COMPANY, ZONE, bay_of, give, record, whole


def _fits(page: Page) -> None:
    assert violations(page) == []
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0, page.url


def _because(page: Page, form: str, why: str) -> None:
    page.fill(f"#{form} [name=because]", why)
    page.fill(f"#{form} [name=by]", "E. Brandvold")
    follow(page, f"#{form} button[type=submit]")


def test_a_bay_is_entered_moved_retired_and_brought_back_on_a_phone(
    browser: Browser, store: Store, tmp_path: Path
) -> None:
    with closing(record(tmp_path / "bay.sqlite", 40, notes=1)), rolled_up(store) as address:
        store.enter_bay(COMPANY, "quay", "bay-9", ZONE)
        page = browser.new_page(viewport=PHONE, reduced_motion="reduce")
        complaints: list[str] = []
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto(address)
        follow(page, "text=Enter a bay")
        page.fill("[name=shop]", "harbour")
        page.fill("[name=bay]", "bay-1")
        page.fill("[name=by]", "E. Brandvold")
        page.click("#enter button[type=submit]")
        expect(page.locator(".objection")).to_contain_text("is new; say whose days")
        expect(page.locator("[name=time_zone]")).to_be_focused()  # and its fold is open
        page.fill("[name=time_zone]", ZONE)
        page.click("#enter button[type=submit]")
        expect(page.locator("#token")).to_contain_text(f'address = "{address}"')
        _fits(page)
        token = page.locator("#token-text").inner_text()
        assert give(store, bay_of(store, token), outbox.batch(tmp_path / "bay.sqlite", 0, 1000)).fault is None
        follow(page, "text=The bay has it")
        page.locator("tr", has_text="harbour · bay-1").get_by_text("Retire, move").click()
        expect(page.locator("h1")).to_have_text("harbour · bay-1")
        _fits(page)
        page.fill("#ask [name=to_shop]", "quay")
        page.fill("#ask [name=to_bay]", "bay-9")
        page.click("#ask button[type=submit]")
        expect(page.locator("#look .objection")).to_contain_text("is a bay already")
        page.fill("#ask [name=to_bay]", "bay-7")
        page.fill("#ask [name=when]", "2026-02-05 00:00")
        page.click("#ask button[type=submit]")
        expect(page.locator("#look")).to_contain_text("entries that are here go over, from number")
        _fits(page)
        _because(page, "look", "the pit was closed")
        expect(page.locator("h1")).to_have_text("quay · bay-7")
        follow(page, "text=Undo the move by which it came")
        expect(page.locator("#look")).to_contain_text("This undoes the move")
        _because(page, "look", "it was bay 8")
        expect(page.locator("h1")).to_have_text("harbour · bay-1")
        _because(page, "retire", "sold")
        expect(page.locator("#back")).to_contain_text("as if it had been all the time")
        _fits(page)
        page.goto(address)
        expect(page.locator("section", has_text="Bays that left")).to_contain_text("sold")
        follow(page, "text=Bring back")
        _because(page, "back", "it was not")
        page.fill("#give [name=by]", "E. Brandvold")
        page.click("#give button[type=submit]")
        expect(page.locator("#token-text")).to_have_text(re.compile(r"tallypan\.harbour\.bay-1\."))
        assert page.locator("#token-text").inner_text() != token
        _fits(page)
        page.close()
        assert complaints == []
    assert whole(store) == []
