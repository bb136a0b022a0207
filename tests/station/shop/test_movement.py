"""Entries of the books as they are typed: whose they are, when they happened, and what they then change."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from station.common import days
from station.errors import InputError
from station.record import verify
from station.record.author import BY, signed
from station.record.ledger import Ledger
from station.shop import audit, catalogue, movement, stock
from station.shop.catalogue import Change
from station.shop.movement import Typed, typed
from station.shop.rows import TABLES
from tests.station.shop_rows import add, at, shop

NOW = datetime(2026, 3, 20, 12, tzinfo=UTC)
OSLO = days.zone_of("Europe/Oslo")
DRUM = Change("container", ("drum 1",), "add", {"fluid": "gear oil", "size": "208 L"})


@pytest.fixture
def ledger(tmp_path: Path) -> Ledger:
    """A drum counted at 100 L on the 10th at noon; a job of 2.9 L on the 11th; counted at 90 L on the 12th at noon."""
    kept = shop(tmp_path / "l.sqlite")
    kept.append(None, catalogue.EVENT, catalogue.body([DRUM], "test"), at("2026-03-01T06:00:00.000+00:00"))
    put(kept, "counted", 100.0, "2026-03-10T12:00:00.000+00:00")
    add(kept, {"opened_utc": "2026-03-11T08:00:00.000+00:00", "metered_l": 2.9})
    put(kept, "counted", 90.0, "2026-03-12T12:00:00.000+00:00")
    return kept


def put(ledger: Ledger, kind: str, volume_l: float, entered_utc: str, utc: str | None = None) -> None:
    moved = movement.Movement(kind, "gear oil", volume_l, 0.0, "drum 1", technician="J. Lindqvist", utc=utc)
    ledger.append(None, movement.EVENT, signed(moved.to_dict()), at(entered_utc))


def content_l(ledger: Ledger) -> float:
    (one,) = stock.contents(ledger, catalogue.read(ledger))
    return one.content_l


def rest_l(ledger: Ledger) -> float:
    (take,) = stock.stock_takes(ledger, "2026-03-01", "2026-04-01")
    return take.rest_l


LATE = "2026-03-20T12:00:00.000+00:00"


def test_a_delivery_dated_back_before_a_count_adds_nothing_to_what_was_counted(ledger: Ledger) -> None:
    assert rest_l(ledger) == pytest.approx(7.1)
    put(ledger, "received", 60.0, LATE, "2026-03-11T06:00:00.000+00:00")
    assert content_l(ledger) == 90.0
    assert rest_l(ledger) == pytest.approx(67.1)  # it came in between the counts, and is gone
    put(ledger, "received", 60.0, LATE, "2026-03-13T06:00:00.000+00:00")
    assert content_l(ledger) == 150.0


def test_a_count_dated_back_stands_where_it_was_counted(ledger: Ledger) -> None:
    put(
        ledger, "counted", 97.1, LATE, "2026-03-11T20:00:00.000+00:00"
    )  # behind the job: all is well up to here
    assert content_l(ledger) == 90.0  # the newest count is still that of the 12th
    takes = stock.stock_takes(ledger, "2026-03-01", "2026-03-12")
    assert [take.rest_l for take in takes] == [pytest.approx(0.0)]
    put(ledger, "counted", 80.0, LATE, "2026-03-13T20:00:00.000+00:00")
    assert content_l(ledger) == 80.0
    add(ledger, {"opened_utc": LATE, "metered_l": 2.0})
    assert content_l(ledger) == 78.0


def test_an_entry_dated_back_says_both_dates_and_who(ledger: Ledger) -> None:
    token = BY.set("R. Achterberg")
    put(ledger, "waste", 1.5, LATE, "2026-02-27T16:00:00.000+00:00")
    BY.reset(token)
    rows = movement.listed(ledger, movement.Asked("drum lindqvist", kind="waste"), UTC, 10)
    (row,) = rows
    assert (row.utc, row.entered_utc) == ("2026-02-27T16:00:00.000+00:00", LATE)
    assert (row.technician, row.entered_by) == ("J. Lindqvist", "R. Achterberg")
    february = audit.audit(ledger, "2026-02-01", "2026-03-01", zone=OSLO)
    assert february.total.waste_l == 1.5
    ledger.close()
    told = verify.verify(Path(str(ledger.path))).broken
    assert told == [
        "the row of job j1 is not drawn from the chain"
    ]  # it is invented; those of the entries are


def test_entries_are_listed_by_when_they_happened_a_page_at_a_time(ledger: Ledger) -> None:
    for n in range(5):
        put(ledger, "waste", 0.1 * n, LATE, f"2026-03-1{4 - n}T06:00:00.000+00:00")
    walked: list[int] = []
    while rows := movement.listed(ledger, movement.Asked(), UTC, 2, walked[-1] if walked else None):
        walked += [row.seq for row in rows]
    every = ledger.db.execute("select seq from movement order by utc desc, seq desc").fetchall()
    assert walked == [seq for (seq,) in every]
    asked = movement.Asked(first_day="2026-03-13", last_day="2026-03-14")
    assert [row.utc[:10] for row in movement.listed(ledger, asked, UTC, 9)] == ["2026-03-14", "2026-03-13"]


def said(**texts: str) -> movement.Movement:
    given = {
        "kind": "received",
        "volume": "57.2 L",
        "container": "drum 1",
        "technician": "J. Lindqvist",
        **texts,
    }
    entries: dict[str, dict[catalogue.Key, catalogue.Entry]] = {name: {} for name in TABLES}
    catalogue.apply(entries, DRUM.to_dict(), "2026-03-01")
    return typed(Typed(**given), catalogue.Catalogue(entries), None, OSLO, NOW, texts.get("note", ""))


def test_a_time_is_the_shops_own() -> None:
    assert said(when="2026-03-05 14:30").utc == "2026-03-05T13:30:00.000+00:00"
    assert (
        said(when="2026-03-05T14:30").utc == "2026-03-05T13:30:00.000+00:00"
    )  # as a browser's field writes it
    assert said().utc is None
    assert said().fluid == "gear oil"


@pytest.mark.parametrize(
    ("when", "told"),
    [
        ("yesterday", "when is 'yesterday'; expected day and time"),
        ("2026-03-05", "add the time"),
        ("2026-03-20 13:30", "still to come in Europe/Oslo time"),
        ("1926-03-05 10:00", "expected a time since 2000-01-01"),
    ],
)
def test_a_time_that_is_not_clear_is_refused(when: str, told: str) -> None:
    with pytest.raises(InputError, match=told):
        said(when=when)


def test_a_stock_take_says_how_good_it_is() -> None:
    """Taken as exact, a dipstick's reading calls every difference missing."""
    with pytest.raises(InputError, match=r"^Good to ± is empty; say how good this count is, such as 2 L"):
        said(kind="counted")
    assert said(kind="counted", u95="2 L").u95_l == 2.0
    assert said(kind="counted", u95="0 L").u95_l == 0.0, "who weighed to nothing may say so"
    assert said().u95_l == 0.0, "a delivery note has its own figure"


def test_no_more_stands_in_a_container_than_goes_into_it() -> None:
    """208 L by its plate, and brimful up to a tenth more."""
    assert said(volume="225 L").volume_l == 225.0
    assert said(kind="counted", volume="230 L", u95="2 L").volume_l == 230.0, "within its doubt"
    for kind, volume, u95 in (("received", "572 L", ""), ("counted", "280 L", "2 L")):
        told = rf"^volume is {volume}; drum 1 holds 208.00 L by the list\. Look at the unit, the point and the container picked"
        with pytest.raises(InputError, match=told):
            said(kind=kind, volume=volume, u95=u95)
    assert said(kind="drawn", volume="280 L").volume_l == 280.0, "the books tell that it is overdrawn"


def test_nobody_moves_fluid_without_a_name() -> None:
    with pytest.raises(InputError, match="technician is empty"):
        said(technician=" ")
    assert said(technician="", note="R. Achterberg").technician == "R. Achterberg"  # who was signed in


def test_two_clocks_may_differ_a_little() -> None:
    assert movement.happened("2026-03-20T13:01", OSLO, NOW) == (NOW + timedelta(minutes=1)).isoformat(
        timespec="milliseconds"
    )
