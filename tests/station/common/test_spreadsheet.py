"""A table as spreadsheets of several countries write it comes in the same; what could be read in two ways does not."""

import pytest

from station.common.spreadsheet import letters, read_csv

NEEDED, MAY = ["vehicle", "capacity"], ["note", "distance"]
FIGURES = {"capacity", "distance"}
WANTED = [
    {"vehicle": "Bus 12", "capacity": "2.9 L", "note": "plug, left side", "distance": "60000.5 km"},
    {"vehicle": "Bus 7", "capacity": "1.8 L", "note": 'says "full", is not', "distance": ""},
]
ENGLISH = """vehicle,capacity,note,distance
Bus 12,2.9 L,"plug, left side",60000.5 km
Bus 7,1.8 L,"says ""full"", is not",
"""
EUROPEAN = """Vehicle;Capacity;Note;Distance
Bus 12;2,9 L;plug, left side;60.000,5 km
Bus 7;1,8 L;"says ""full"", is not";
"""
TABS = EUROPEAN.replace(";", "\t").replace("60.000,5", "60\u00a0000,5")


def cells(data: bytes) -> list[dict[str, str]]:
    rows = list(read_csv(data, NEEDED, MAY, FIGURES))
    assert [row.reason for row in rows] == [None] * len(rows)
    return [dict(row.cells) for row in rows]


@pytest.mark.parametrize(
    "text", [ENGLISH, EUROPEAN, TABS, "sep=;\n" + EUROPEAN], ids=["commas", "semicolons", "tabs", "sep="]
)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"])
@pytest.mark.parametrize("ends", ["\n", "\r\n"])
def test_every_spreadsheets_file_reads_the_same(text: str, encoding: str, ends: str) -> None:
    assert cells(text.replace("\n", ends).encode(encoding)) == WANTED


def test_a_quoted_decimal_comma_between_commas_is_a_point_too() -> None:
    assert cells(b'vehicle,capacity\nBus 1,"2,9 L"\n') == [{"vehicle": "Bus 1", "capacity": "2.9 L"}]


def test_a_note_keeps_its_commas_and_empty_columns_at_the_end_are_none() -> None:
    text = "vehicle;capacity;note;;\nBus 1;2,9 L;1,5 turns;;\n"
    assert cells(text.encode()) == [{"vehicle": "Bus 1", "capacity": "2.9 L", "note": "1,5 turns"}]


def test_a_point_before_three_digits_is_left_alone_where_no_comma_is_a_decimal_one() -> None:
    assert cells(b"vehicle;capacity\nBus 1;2.875 L\n")[0]["capacity"] == "2.875 L"


def test_an_objection_names_row_and_column() -> None:
    text = "sep=;\nvehicle;capacity\nBus 1;2,9 L\nBus 2;2.875 L\nBus 3;1;2\n"
    _, second, third = read_csv(text.encode(), NEEDED, MAY, FIGURES)
    assert second.number == 4
    assert second.reason is not None
    assert second.reason.startswith("column B (capacity): '2.875 L' could be thousands or a decimal point")
    hint = "A decimal comma between commas? Put the cell in quotes."
    assert (third.number, third.reason) == (5, f"3 cells where the header has 2. {hint}")


@pytest.mark.parametrize(("place", "named"), [(0, "A"), (25, "Z"), (26, "AA"), (701, "ZZ"), (702, "AAA")])
def test_columns_are_named_as_a_spreadsheet_names_them(place: int, named: str) -> None:
    assert letters(place) == named
