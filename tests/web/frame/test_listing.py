"""The frame of a list: what it shows of how much, and links that keep what was asked for."""

import re
from html import unescape

import pytest

from web.frame.listing import PER_PAGE, Asked, Field, Link, options
from web.frame.render import ENVIRONMENT

ASKED = Asked(
    "/due",
    "Vehicle",
    "bus 7",
    [Field("state", "State", "overdue", [("", "any"), ("overdue", "overdue")]), Field("from", "From", "")],
    kept=[("table", "vehicle")],
    twins=(("CSV", "/due.csv"),),
    at="#list",
)
QUERY = "table=vehicle&q=bus+7&state=overdue"


@pytest.mark.parametrize(
    ("rows", "page", "count", "links"),
    [
        (3, 1, "3 in all", []),
        (0, 1, "0 in all", []),
        (120, 1, "1 to 50 of 120", ["Next 2", "Last 3"]),
        (120, 2, "51 to 100 of 120", ["First -", "Back 1", "Next 3", "Last 3"]),
        (120, 3, "101 to 120 of 120", ["First -", "Back 2"]),
        (120, 99, "101 to 120 of 120", ["First -", "Back 2"]),  # beyond the last
    ],
)
def test_pages_of_rows_at_hand(rows: int, page: int, count: str, links: list[str]) -> None:
    shown, frame = ASKED.by_page(range(rows), page)
    assert frame.count == count
    assert len(shown) <= PER_PAGE
    found = [
        f"{link.text} {link.address.partition('&page=')[2].removesuffix('#list') or '-'}"
        for link in frame.pages
    ]
    assert found == links
    assert all(
        link.address.startswith(f"/due?{QUERY}") and link.address.endswith("#list") for link in frame.pages
    )


def test_pages_of_a_record_go_on_behind_the_last_row() -> None:
    rows = [f"j{n}" for n in range(PER_PAGE + 1)]
    shown, frame = ASKED.by_key(rows, str, True)
    assert shown == rows[:PER_PAGE]
    assert frame.pages == [Link("Older", f"/due?{QUERY}&before=j49#list")]
    _, last = ASKED.by_key(rows[:4], str, False)
    assert (last.count, [link.text for link in last.pages]) == ("4 shown", ["Newest"])


def test_files_hold_what_was_asked_for_and_a_list_can_be_shown_whole_again() -> None:
    _, frame = ASKED.by_page(range(120), 2)
    assert frame.files == [Link("CSV", f"/due.csv?{QUERY}")]
    assert frame.clear == "/due?table=vehicle#list"
    assert (frame.asked, frame.narrowed) == (True, True)
    _, bare = Asked("/due", "Vehicle").by_page([], 1)
    assert (bare.asked, bare.narrowed, bare.address) == (False, False, "/due")


@pytest.mark.parametrize("chosen", ["", "bay 1", "bay 10", 'keg "B" <2>', "gone"])
def test_what_is_chosen_is_marked_and_nothing_else(chosen: str) -> None:
    names = ["bay 1", "bay 10", 'keg "B" <2>', "bay 1>"]
    field = Field("container", "Container", chosen, options(names, "any"))
    _, frame = Asked("/due", "", fields=[field]).by_page([], 1)
    html = str(ENVIRONMENT.get_template("_list.html").module.ask(frame))  # type: ignore[attr-defined]
    found = re.findall(r'<option value="([^"]*)"( selected)?>([^<]*)</option>', html)
    assert [(unescape(value), unescape(text)) for value, _, text in found] == field.options
    assert [unescape(value) for value, marked, _ in found if marked] == [chosen] * (chosen != "gone")
