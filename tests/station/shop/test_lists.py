"""The shop's lists in a bay's catalogue: whose word stands, what is kept of the other, and that each comes in once."""

from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from station.errors import InputError
from station.given.config import demo_path, read_config
from station.record.ledger import Ledger
from station.record.recorder import Recorder
from station.record.versions import At
from station.shop import catalogue, changes, lists
from station.shop.catalogue import Change
from station.shop.lists import Differed, Issue, Standing
from station.shop.shop import Shop

GEAR = {
    "name": "Gear oil 75W-90, fresh",
    "grade": "75W-90",
    "kind": "lubricant",
    "kv40_mm2_s": "115",
    "kv100_mm2_s": "15.2",
}
SHEET = {**GEAR, "density_15_kg_m3": "870.0", "density_origin": "data sheet"}


def issue(version: int, *changes: Change) -> Issue:
    return Issue(version, "2026-03-01T08:00:00+00:00", "E. Brandvold", changes)


def event(*changed: Change, origin: str = "page") -> dict[str, Any]:
    return {"utc": "2026-02-01T08:00:00+00:00", "body": catalogue.body(changed, origin)}


def met(own: list[dict[str, Any]], issued: Issue) -> lists.Met:
    return lists.meet(catalogue.fold(own), lists.standing(own), issued)


def test_the_shops_word_stands_and_the_bays_is_named() -> None:
    own = [
        event(Change("fluid", ("gear",), "add", SHEET)),
        event(Change("vehicle", ("Bus 1",), "add", {"note": "blue"})),
    ]
    found = met(
        own,
        issue(
            1,
            Change("vehicle", ("Bus 1",), "add", {"note": "green"}),
            Change("price", ("gear",), "add", {"amount": "9.5", "per": "1 L", "currency": "EUR"}),
        ),
    )
    assert [(c.table, c.action, c.fields.get("note")) for c in found.changes] == [
        ("vehicle", "change", "green"),
        ("price", "add", None),
    ]
    [differed] = found.differed
    assert (differed.field, differed.bay, differed.shop, differed.stands) == ("note", "blue", "green", "shop")


def test_the_shops_price_holds_from_its_day_and_the_bays_own_later_ones_are_taken_out() -> None:
    """Until the shop's own next one; what the bay enters after that stays until the shop says something new."""

    def price(day: str, amount: str) -> Change:
        return Change("price", ("gear", day), "add", {"amount": amount, "per": "1 L", "currency": "EUR"})

    own = [
        event(Change("fluid", ("gear",), "add", SHEET)),
        event(*(price(day, "8") for day in ("2025-06-01", "2026-01-20", "2026-02-10"))),
    ]
    issued = issue(1, price("2026-01-01", "7.80"), price("2026-02-20", "8.90"))
    found = met(own, issued)
    after = [*own, {"utc": issued.utc, "body": lists.body(issued, found)}]
    known = catalogue.fold(after)
    assert [one.key[1] for one in known.active("price")] == ["2025-06-01", "2026-01-01", "2026-02-20"]
    assert [(one.key[1], one.bay, one.shop, one.stands) for one in found.differed] == [
        (day, "add", "retire", "shop") for day in ("2026-01-20", "2026-02-10")
    ]
    after.append(event(price("2026-02-25", "9")))
    assert [one.key[1] for one in met(after, issue(2, price("2026-03-05", "9.10"))).changes] == ["2026-03-05"]
    newer = met(after, issue(2, price("2026-02-20", "8.95")))
    assert [(one.key[1], one.action) for one in newer.changes] == [
        ("2026-02-20", "change"),
        ("2026-02-25", "retire"),
    ]


def test_a_density_that_the_bay_measured_stays_and_the_shops_stands_beside_it() -> None:
    own = [
        event(Change("fluid", ("gear",), "add", SHEET)),
        event(
            Change("fluid", ("gear",), "change", {"density_15_kg_m3": "872.4", "density_origin": "measured"})
        ),
    ]
    wanted = {**SHEET, "density_15_kg_m3": "868.0", "kv40_mm2_s": "112"}
    found = met(own, issue(1, Change("fluid", ("gear",), "add", wanted)))
    [change] = found.changes
    assert change.fields == {"kv40_mm2_s": "112"}
    said = {one.field: (one.bay, one.shop, one.stands) for one in found.differed}
    assert said == {
        "density_15_kg_m3": ("872.4", "868.0", "bay"),
        "density_origin": ("measured", "data sheet", "bay"),
        "kv40_mm2_s": ("115", "112", "shop"),
    }


def test_beside_a_measured_density_nothing_of_the_shops_is_put_in_another_form() -> None:
    """Two densities at two temperatures would be refused, and the viscosity with them."""
    own = [event(Change("fluid", ("gear",), "add", {**SHEET, "density_origin": "measured"}))]
    wanted = {**GEAR, "density_kg_m3": "866.0", "at_c": "20", "kv40_mm2_s": "112"}
    found = met(own, issue(1, Change("fluid", ("gear",), "add", wanted)))
    assert [c.fields for c in found.changes] == [{"kv40_mm2_s": "112"}]
    assert {(one.field, one.bay, one.shop) for one in found.differed if one.stands == "bay"} == {
        ("density_kg_m3", "", "866.0"),
        ("at_c", "", "20"),
    }


@pytest.mark.parametrize(("bays", "shops"), [("retire", "change"), ("restore", "retire")])
def test_where_the_bay_took_an_entry_out_of_use_or_brought_it_back_its_word_is_named_too(
    bays: str, shops: str
) -> None:
    own = [event(Change("vehicle", ("Bus 1",), action, {})) for action in ("add", "retire", bays)]
    found = met(own, issue(1, Change("vehicle", ("Bus 1",), shops, {})))
    assert [c.action for c in found.changes] == ["restore" if shops == "change" else "retire"]
    assert found.differed == (Differed("vehicle", ("Bus 1",), "", bays, shops, "shop"),)


def test_the_bays_own_word_stays_its_own_where_the_shops_was_not_taken() -> None:
    own = [event(Change("vehicle", ("bus 1",), "add", {"note": "blue"}))]
    first = issue(1, Change("compartment", ("bus 1", "rear axle"), "add", {"capacity": "none"}))
    bay = event(Change("compartment", ("bus 1", "rear axle"), "add", {"capacity": "2.9 L"}))
    refused = met([*own, bay], first)
    assert [one.stands for one in refused.differed if one.why] == ["bay"]
    here = lists.standing([*own, bay, {"body": lists.body(first, refused)}])
    assert here.own["compartment", ("bus 1", "rear axle"), "capacity"] == "2.9 L"


def test_what_the_bay_cannot_take_is_named_and_holds_nothing_up() -> None:
    found = met(
        [],
        issue(
            1,
            Change("price", ("nothing",), "add", {"amount": "1", "per": "1 L", "currency": "EUR"}),
            Change("vehicle", ("Bus 1",), "add", {}),
        ),
    )
    assert [c.table for c in found.changes] == ["vehicle"]
    [differed] = found.differed
    assert (differed.table, differed.stands) == ("price", "bay")
    assert "does not list" in differed.why


def test_what_the_shop_said_last_is_no_word_of_the_bays_any_more() -> None:
    blue, green = (Change("vehicle", ("Bus 1",), "add", {"note": colour}) for colour in ("blue", "green"))
    own = [event(blue)]
    first = issue(1, blue)  # the same as the bay's: nothing changes, and from now on it is the shop's
    body = lists.body(first, met(own, first))
    assert body["changes"] == body["differed"] == []
    here = lists.standing([*own, {"body": body}])
    assert here == Standing(At(1), {})
    assert met([*own, {"utc": "2026-03-01", "body": body}], issue(2, green)).differed == ()


@pytest.mark.parametrize("former", ["lost", ""])
def test_a_roll_up_that_was_set_up_anew_is_taken_whole(former: str) -> None:
    """Its versions begin again below those that the bay has had, also in a record that does not say whose they were. What the bay
    said since is named where the new one says something else; what the new one does not list stays."""
    at = {"version": 12, "series": former, "utc": "2026-03-01T08:00:00+00:00", "by": ""}
    if not former:
        del at["series"]
    old = {
        **at,
        "changes": [
            Change("vehicle", (bus,), "add", {"note": "blue"}).to_dict() for bus in ("Bus 1", "Bus 2")
        ],
    }
    first = lists.issue(old)
    own = [{"utc": first.utc, "body": lists.body(first, met([], first))}]
    own.append(event(Change("vehicle", ("Bus 1",), "change", {"note": "red"})))
    here, anew = (
        lists.standing(own),
        replace(issue(1, Change("vehicle", ("Bus 1",), "add", {"note": "green"})), series="new"),
    )
    assert here.at == At(12, former)
    assert here.at.behind(At(anew.version, anew.series)) == 0
    found = met(own, anew)
    assert [(one.bay, one.shop, one.stands) for one in found.differed] == [("red", "green", "shop")]
    own.append({"utc": anew.utc, "body": lists.body(anew, found)})
    assert lists.standing(own).at == At(1, "new")
    assert lists.standing(own).at.behind(At(2, "new")) == 1
    assert [(e.key, e.get("note")) for e in catalogue.fold(own).active("vehicle")] == [
        (("Bus 1",), "green"),
        (("Bus 2",), "blue"),
    ]


def test_what_is_no_issue_is_refused() -> None:
    change = {"table": "vehicle", "key": ["Bus 1"], "action": "add", "fields": {}}
    whole = {"version": 1, "utc": "2026-03-01", "by": "", "changes": [change]}
    assert lists.issue(whole).changes == (Change("vehicle", ("Bus 1",), "add", {}),)
    strange = {**change, "table": "people"}
    for wrong in ({}, {**whole, "version": "x"}, {**whole, "changes": [{}]}, {**whole, "changes": [strange]}):
        with pytest.raises(InputError, match="the shop's lists"):
            lists.issue(wrong)


def test_each_comes_into_the_record_once_through_a_restart_too(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite"
    config = replace(read_config(demo_path()), ledger=path)
    first = issue(
        1,
        Change("vehicle", ("Bus 99",), "add", {}),
        Change("fluid", ("gear_75w90",), "add", {"name": "Gear oil"}),
    )
    second = issue(2, Change("vehicle", ("Bus 99",), "retire", {}))
    for issues, expected in (([first], 1), ([first, second], 2), ([first, second], 2)):
        recorder = Recorder(path, lambda fault: pytest.fail(str(fault)))
        with closing(Ledger(path, read_only=True)) as ledger:
            assert Shop(config, recorder, ledger).take_lists(issues) == At(expected)
        recorder.close()
    with closing(Ledger(path, read_only=True)) as ledger:
        bodies = [e["body"] for e in ledger.shop_events(catalogue.EVENT)]
        found = catalogue.read(ledger)
        told = changes.listed(ledger)
    assert [body.get("version") for body in bodies] == [None, 1, 2]
    assert bodies[1]["issued"][1]["fields"] == {"name": "Gear oil"}
    entry = found.get("vehicle", "Bus 99")
    assert entry is not None
    assert entry.retired
    assert any((one.by, one.new) == ("E. Brandvold", "Gear oil") for one in told)
