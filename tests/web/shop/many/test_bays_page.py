"""The first page over many bays: which are silent, at fault, behind, retired or moved, and what an empty roll-up says."""

import asyncio
from contextlib import closing
from datetime import UTC, date, datetime
from pathlib import Path

import httpx

from station.people.access import Access
from station.record import outbox
from station.record.ledger import Ledger, Moment
from station.record.many import leaving, moving
from station.record.many.accept import accept
from station.record.many.certified import Certified
from station.record.many.queries import scope_of
from station.record.many.store import Store
from tests.rolled import COMPANY, bay_of, give, record, whole
from tests.web.conftest import HOST
from tests.web.shop.many.conftest import MONTHS, SHOW, Roll
from web.many import create_app
from web.shop.many import contexts
from web.shop.many.asked import Asked, Shops


def test_a_page_that_is_not_there_leads_back_to_the_bays(roll: Roll) -> None:
    text = roll.send("GET", "/jobs/harbour/bay-1/none", headers=SHOW).text
    assert ("To the bays" in text, ">To the bay<" in text) == (True, False)


def test_a_bay_that_is_silent_is_not_said_to_have_everything(roll: Roll, path: Path) -> None:
    roll.take(path, roll.tokens[0])
    assert "has everything" in roll.send("GET", "/", headers=SHOW).text
    with roll.store.connection() as db:
        db.execute("update bay set heard = now() - interval '9 minutes'")
    text = roll.send("GET", "/", headers=SHOW).text
    assert ("not heard for 9 minutes" in text, "has everything" in text) == (True, False)


def test_figures_say_which_bays_record_they_lack(roll: Roll, path: Path) -> None:
    """A bay was off its line for a week, and usage, quality and jobs looked whole. Whether it recorded anything meanwhile nobody here
    knows: over a weekend it is switched off."""
    roll.take(path, roll.tokens[0])
    pages = ("/usage", "/quality", "/jobs")
    for away, told in (("2 hours", False), ("3 days", True)):
        with roll.store.connection() as db:
            db.execute(f"update bay set heard = now() - interval '{away}' where bay = 'bay-1'".encode())
        for page in pages:
            text = roll.send("GET", page, headers=SHOW).text
            assert ("harbour · bay-1 was last heard on " in text) == told, (page, away)
            assert ("If anything was recorded there since" in text) == told, (page, away)
    assert "was last heard" not in roll.send("GET", "/usage?month=2020-03", headers=SHOW).text
    with roll.store.connection() as db:
        db.execute("update bay set heard = now(), fault = 'cut', fault_since = now() where bay = 'bay-1'")
    for page in pages:
        assert "harbour · bay-1 has been refused since " in roll.send("GET", page, headers=SHOW).text


def test_figures_of_a_month_say_nothing_of_bays_that_were_silent_only_later(roll: Roll) -> None:
    """Of three named bays those that fell silent behind the month were left out, and those behind them told of as more."""
    since = ("2020-02-10 12:00+00", "2020-03-31 22:30+00", "2020-06-01 12:00+00", "2020-06-02 12:00+00")
    for n, heard in enumerate(since):
        roll.store.enter_bay(COMPANY, "harbour", f"away-{n}")
        with roll.store.connection() as db:
            db.execute("update bay set heard = %s where bay = %s", [heard, f"away-{n}"])
    text = roll.send("GET", "/usage?month=2020-03", headers=SHOW).text
    told = text.partition("harbour · away-0 was last heard on ")[2].partition(". If anything")[0]
    assert told.startswith("2020-02-10")
    assert ("away-1" in told, "more" in told) == (False, False), "in Oslo the second one spoke in April"
    assert "1 more bay" in roll.send("GET", "/usage?month=2020-06", headers=SHOW).text


def test_a_fault_of_a_bay_stands_on_the_first_page(roll: Roll, path: Path, tmp_path: Path) -> None:
    roll.take(path, roll.tokens[0])
    with closing(record(tmp_path / "other.sqlite", 70, seed=5)):
        other = outbox.batch(tmp_path / "other.sqlite", 0, 9)
        give(roll.store, bay_of(roll.store, roll.tokens[0]), other)
        roll.take(path, roll.tokens[0], outbox.newest(path))
        html = roll.send("GET", "/", headers=SHOW).text
        assert ("in order now, refused" in html, "Do two boards have" in html) == (True, True)
        give(roll.store, bay_of(roll.store, roll.tokens[0]), other)
    html = roll.send("GET", "/", headers=SHOW).text
    assert "signs with the key" in html
    assert "set aside" not in html
    assert roll.send("GET", "/health").json()["refused"] == 1
    with roll.store.connection() as db:
        accept(db, "harbour", "bay-1", "E. Brandvold", "the card was <changed>")
    html = roll.send("GET", "/", headers=SHOW).text
    assert "the card was &lt;changed&gt;" in html
    [told] = roll.send("GET", "/asides.json").json()
    assert (told["who"], told["jobs"], told["lost"]) == ("E. Brandvold", 60, 60)


def test_bays_that_left_stand_apart_and_a_retired_one_that_speaks_again_is_named(
    roll: Roll, path: Path
) -> None:
    bearer = {"Authorization": f"Bearer {roll.tokens[0]}"}

    def first_page() -> tuple[str, str]:
        """Of the first page, what reports here and what left."""
        told = roll.send("GET", "/", headers=SHOW).text
        arrived, _by, gone = told.partition("Bays that left")
        return arrived, gone.partition("</section>")[0]

    roll.take(path, roll.tokens[0])
    used = roll.send("GET", f"/usage.csv?{MONTHS}").text
    listed = roll.send("GET", f"/usage?{MONTHS}").text.count("bay-1")
    with roll.store.connection() as db:
        leaving.retire(db, "harbour", "bay-1", "E. Brandvold", "it was <sold>")
    arrived, gone = first_page()
    assert "harbour · bay-1" not in arrived
    assert ("it was &lt;sold&gt;" in gone, "⚠ speaks again" in gone) == (True, False)
    assert {one["bay"] for one in roll.send("GET", "/bays.json").json()} == {"bay-9"}
    assert roll.send("GET", f"/usage.csv?{MONTHS}").text == used
    assert roll.send("GET", f"/usage?{MONTHS}").text.count("bay-1") == listed > 0
    assert "harbour · bay-1" not in roll.send("GET", "/calibrations").text
    assert roll.send("GET", "/health").json() == {"ok": True, "bays": 1, "refused": 0}
    for address in ("lists", "fills", "people"):
        assert roll.send("GET", f"/api/bays/{address}", headers=bearer).status_code == 403, address
    with closing(Ledger(path)) as ledger:
        ledger.append(
            None, "note", {"text": "it runs"}, Moment("boot", 9.0, "2099-01-01T08:00:00.000+00:00", True)
        )
    reply = roll.take(path, roll.tokens[0], outbox.newest(path) - 1).json()
    assert ("retired here" in reply["fault"], reply["people"]) == (True, 0)
    arrived, gone = first_page()
    assert "harbour · bay-1" in arrived, "it asks for somebody"
    assert "speaks again: 1 entry waits" in gone
    [told] = roll.send("GET", "/left.json").json()
    assert (told["behind"], told["moved"]) == (1, False)
    with roll.store.connection() as db:
        leaving.bring_back(db, "harbour", "bay-1", "E. Brandvold", "it is not")
        moving.move(
            db,
            ("harbour", "bay-1"),
            ("quay", "bay-1"),
            "E. Brandvold",
            "lent",
            "2026-02-05T00:00:00.000+00:00",
        )
    arrived, gone = first_page()
    assert ("quay · bay-1" in arrived, "goes on as quay · bay-1" in gone) == (True, True)
    assert roll.take(path, roll.tokens[0], outbox.newest(path) - 1).json()["fault"] is None
    assert whole(roll.store) == []


def test_an_empty_roll_up_says_what_to_do(store: Store) -> None:
    transport = httpx.ASGITransport(create_app(store, Access(None)), client=("127.0.0.1", 50000))
    with asyncio.Runner() as runner:
        client = httpx.AsyncClient(transport=transport, base_url=f"http://{HOST}")
        pages = {
            a: runner.run(client.get(a, headers=SHOW))
            for a in ("/", "/jobs", "/usage", "/quality", "/calibrations")
        }
    assert {address: page.status_code for address, page in pages.items()} == dict.fromkeys(pages, 200)
    assert "tallypan roll-up enter" in pages["/"].text


def test_a_certificate_ends_by_the_day_of_its_shop() -> None:
    """At 23:30 UTC it is tomorrow in one shop and still today in the other, as their bays' own pages say."""
    zones = {"harbour": "Europe/Oslo", "quay": "America/Los_Angeles"}
    shops, asked_for = Shops(COMPANY, zones), scope_of(COMPANY, list(zones), "2026-07", 1, [])
    ends = date(2026, 7, 1)
    made = "2025-07-01T08:00:00+00:00"
    found = [Certified(shop, "bay-1", "meter", f"Meter {shop}", f"M {shop}", made, ends) for shop in zones]
    at = datetime(2026, 7, 1, 23, 30, tzinfo=UTC)
    asked = Asked(asked_for, shops, "", "2026-07", 1, {})
    [section] = contexts.calibrations_page(asked, found, [], 2, at, {}).sections
    assert {row[1].text: row[5].text for row in section.rows} == {
        "Meter harbour": "⚠ overdue since 1 day",
        "Meter quay": "! 0 days left",
    }
