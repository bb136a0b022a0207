"""Lists that a shop keeps for its bays: fetched by a bay, changed on their page, and where a bay had said otherwise."""

import json
import re
from base64 import b64encode
from contextlib import closing
from html import unescape
from pathlib import Path
from typing import Any

import httpx
import pytest

from station.learning import sisters
from station.record.ledger import Ledger, Moment
from station.record.many import lists
from station.shop import lists as lists_of_bay
from tests.rolled import enter
from tests.web.conftest import CHANGE
from tests.web.shop.many.conftest import MONTHS, SHOW, Roll
from web.frame import format as fmt


def test_a_bay_fetches_its_shops_lists_and_the_page_shows_where_it_had_said_otherwise(
    roll: Roll, path: Path
) -> None:
    change = {"table": "vehicle", "key": ["Bus <7>"], "action": "add", "fields": {"note": "green"}}
    with roll.store.connection() as db:
        assert [lists.add(db, "harbour", "E. Brandvold", "buses.csv", [change]) for _ in range(2)] == [1, 2]
    issued = lists_of_bay.Issue(1, "2026-03-01", "E. Brandvold", ())
    differed = lists_of_bay.Differed("vehicle", ("Bus <7>",), "note", "blue", "green", "shop")
    with closing(Ledger(path)) as ledger:
        at = Moment("boot", 99.0, "2026-03-02T08:00:00.000+00:00", True)
        ledger.append(None, "catalogue", lists_of_bay.body(issued, lists_of_bay.Met((), (differed,))), at)
    told = [roll.take(path, token).json() for token in roll.tokens]
    assert [(one["lists"], one["fills"]) for one in told] == [(2, 0), (0, 0)]
    headers = {"Authorization": f"Bearer {roll.tokens[0]}"}
    [one] = roll.send("GET", "/api/bays/lists?after=1", headers=headers).json()["issues"]
    assert lists_of_bay.issue(one).changes[0].fields == {"note": "green"}
    assert roll.send("GET", "/api/bays/lists").status_code == 401
    headers = {"Authorization": f"Bearer {enter(roll.store, bay='bay-2')}"}
    [one] = roll.send("GET", "/api/bays/fills", headers=headers).json()["issues"]
    [fills] = sisters.told_of(one).fills
    assert (fills.bay, fills.n > 20) == ("bay-1", True)
    assert roll.send("GET", "/api/bays/fills").status_code == 401
    with roll.store.connection() as db:
        many = [{**change, "key": [f"Bus {n}"]} for n in range(lists.CHANGES_MOST + 1)]
        assert lists.add(db, "quay", "E. Brandvold", "all.csv", many) == 2
        assert [len(json.loads(one.changes)) for one in lists.issued(db, ["quay"])] == [lists.CHANGES_MOST, 1]
        fields = {"amount": "9.50", "per": "1 L", "currency": "EUR"}
        prices = [
            {**change, "table": "price", "key": [of], "fields": {**fields, "amount": "95.0"}}
            for of in ("gear oil 75W-90", "ATF")
        ]
        lists.add(db, "harbour", "E. Brandvold", "prices.csv", prices)  # from today on, after all of that
    lines = roll.send("GET", f"/usage.json?{MONTHS}").json()["lines"]
    assert {(one["cost"], one["unpriced_l"] == one["out_l"]) for one in lines} == {(None, True)}
    assert "no price then" in roll.send("GET", f"/usage?{MONTHS}&shop=harbour", headers=SHOW).text
    with roll.store.connection() as db:
        for amount in ("95.0", "9.50"):  # a slip, put right
            dated = [
                {**one, "key": [*one["key"], "2026-01-01"], "fields": {**fields, "amount": amount}}
                for one in prices
            ]
            lists.add(db, "harbour", "E. Brandvold", "prices.csv", dated)
    text = roll.send("GET", f"/usage?{MONTHS}&shop=harbour", headers=SHOW).text
    behind = text.partition("<h2>Prices behind these costs</h2>")[2].partition("</section>")[0]
    for words in ("2026-01-01", "9.50 EUR for 1\u00a0L", "95.0 EUR for 1\u00a0L"):
        assert words in behind, words
    lines = roll.send("GET", f"/usage.json?{MONTHS}").json()["lines"]
    mine = [one for one in lines if one["shop"] == "harbour"]
    assert [one["cost"] for one in mine] == pytest.approx([9.5 * one["out_l"] for one in mine])
    assert {(one["cost"], one["currency"]) for one in lines if one["shop"] == "quay"} == {(None, "")}
    total = fmt.money(sum(one["cost"] for one in mine), "EUR").replace("&", "&amp;")
    assert total in roll.send("GET", f"/usage?{MONTHS}&shop=harbour", headers=SHOW).text
    text = roll.send("GET", "/lists", headers=SHOW).text
    for words in (
        "Bus &lt;7&gt;",
        "blue",
        "the shop&#39;s",
        "behind",
        "buses.csv",
        "quay · bay-9",
        "and 197 more",
        "rear axle, midibus",
    ):
        assert words in text, words
    text = roll.send("GET", "/lists.csv").text
    [line] = [one for one in text.splitlines() if one.startswith("harbour")]
    assert line.startswith("harbour,bay-1,")
    assert line.endswith(",1,vehicle,Bus <7>,note,blue,green,shop,")
    told = roll.send("GET", "/lists.json").json()["bays"]
    assert [(one["bay"], one["differed"][0]["bay"]) for one in told if one["shop"] == "harbour"] == [
        ("bay-1", "blue")
    ]


def test_a_shops_lists_are_changed_on_their_page_and_its_bays_stand_below(roll: Roll, path: Path) -> None:
    def change(how: str, table: str, **more: Any) -> httpx.Response:
        body = {"shop": "harbour", "table": table, "by": "E. Brandvold", **more}
        return roll.send("POST", f"/api/lists/{how}", json=body, headers=CHANGE)

    bus = {"vehicle": "Bus <5>", "note": "green"}
    hint = "A bay that has its list already hands it out as CSV under Setup; import it below."
    assert hint in roll.send("GET", "/lists/harbour?table=vehicle", headers=SHOW).text
    assert hint not in roll.send("GET", "/lists/harbour?table=shop", headers=SHOW).text, (
        "of its file, not its list"
    )
    assert change("enter", "vehicle", fields=bus).json() == {"done": True, "changed": True}
    assert hint not in roll.send("GET", "/lists/harbour?table=vehicle", headers=SHOW).text
    assert change("enter", "vehicle", fields=bus).json()["changed"] is False
    axle = {"vehicle": "Bus <5>", "compartment": "rear axle", "capacity": "2,9 L", "method": "drain plug"}
    wrong = change("enter", "compartment", fields={**axle, "capacity": "2.9"})
    assert (wrong.status_code, "capacity" in wrong.json()["text"]) == (400, True)
    plain = axle | {"capacity": "2.9 L"}
    assert change("enter", "compartment", fields=plain).status_code == 200
    issued = lists_of_bay.Issue(2, "2026-03-01", "E. Brandvold", ())
    differed = lists_of_bay.Differed("vehicle", ("Bus <5>",), "note", "blue", "green", "shop")
    with closing(Ledger(path)) as ledger:
        at = Moment("boot", 99.0, "2026-03-02T08:00:00.000+00:00", True)
        ledger.append(None, "catalogue", lists_of_bay.body(issued, lists_of_bay.Met((), (differed,))), at)
    roll.take(path, roll.tokens[0])
    text = unescape(roll.send("GET", "/lists/harbour", headers=SHOW).text)
    for words in ("Bus <5>", 'data-to="/api/lists"', 'data-shop="harbour"', "has version 2, the newest"):
        assert words in text, words
    assert "vehicle Bus <5>, note: the bay had blue, the shop says green; in force: the shop's" in text
    assert "2.9 L" in roll.send("GET", "/lists/harbour?table=compartment", headers=SHOW).text

    csv = roll.send("GET", "/lists/harbour/vehicle.csv").text + "Bus 6,,red\r\n"
    sent = {"data": b64encode(csv.encode()).decode(), "name": "buses.csv"}
    told = change("import", "vehicle", apply=False, **sent).json()
    assert (told["can"], len(told["plan"]["changes"]), told["plan"]["unchanged"]) == (True, 1, 1)
    assert "has version 2, the newest" in roll.send("GET", "/lists/harbour", headers=SHOW).text
    assert change("import", "vehicle", apply=True, **sent).status_code == 200
    assert change("retire", "vehicle", key=["Bus 6"]).status_code == 200
    assert re.search("<td[^>]*>on the page<", roll.send("GET", "/lists", headers=SHOW).text)
    assert change("retire", "vehicle", key=["Bus 6"]).status_code == 400
    text = unescape(roll.send("GET", "/lists/harbour", headers=SHOW).text)
    assert "has version 2 of 4" in text
    assert "Retired: 1" in text
    with roll.store.connection() as db:
        kept = [(one.version, one.who, one.origin) for one in lists.issued(db, ["harbour"])]
    assert kept == [(n, "E. Brandvold", "buses.csv" if n == 3 else "page") for n in (1, 2, 3, 4)]
    for address, status in (("/lists/hill", 404), ("/lists/quay?table=x", 404), ("/lists?shop=quay", 303)):
        assert roll.send("GET", address, headers=SHOW).status_code == status, address
    assert change("enter", "vehicle", fields=bus, shop="hill").status_code == 404
