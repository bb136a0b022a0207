"""What is asked about: the contradictions of one invented axle whose capacity somebody mistyped."""

from dataclasses import replace

import pytest

from station.given.listing import rounding_l
from station.given.report import Report
from station.learning.asking import capacity_question, drained_question, of_report
from station.learning.expected import learn


def from_fills(typed_text: str, typed_l: float, *fills_l: float) -> object:
    shop = learn(
        typed_l, "cover removed", [(x, 0.006) for x in fills_l], None, rounding_l(typed_text, typed_l)
    )
    return capacity_question(typed_text, typed_l, None, shop)


def test_an_absurd_capacity_is_asked_about_before_anything_else() -> None:
    found = capacity_question("9999 L", 9999.0, ("2.9 L", 2.9), None)
    assert found is not None
    assert found.kind == "capacity_contradicts_catalogue"
    assert "9999 L (9999.000 L) was typed; the catalogue lists 2.9 L" in found.text


def test_another_unit_than_the_catalogues_is_asked_about() -> None:
    assert capacity_question("2.9 US gal", 10.978, ("2.9 L", 2.9), None) is not None
    assert capacity_question("2.90 L", 2.9, ("2.9 L", 2.9), None) is None
    assert capacity_question("2.85 L", 2.85, ("2.9 L", 2.9), None) is None  # rounding explains it


def test_one_fill_of_the_shops_own_is_enough_to_ask() -> None:
    found = from_fills("9999 L", 9999.0, 2.85)
    assert found is not None
    assert "2.850 L" in found.text  # type: ignore[attr-defined]
    assert from_fills("2.9 US gal", 10.978, 2.85) is not None
    assert from_fills("2.9 L", 2.9, 2.85) is None


def test_the_verdict_then_uses_the_shops_own_fills() -> None:
    got = learn(9999.0, "cover removed", [(2.85, 0.006)], None, rounding_l("9999 L", 9999.0))
    assert got.against_listing
    assert got.value_l == pytest.approx(2.85, abs=0.2)
    assert got.words == "learned from 1 job, against the listing"


@pytest.mark.parametrize(
    ("drained_l", "asked"), [(2.87, False), (2.50, False), (3.10, True), (2.2, True), (6.35, True)]
)
def test_what_came_out_is_asked_about_beyond_both_doubts(drained_l: float, asked: bool) -> None:
    found = drained_question(drained_l, 0.01, 2.87, 0.04)
    assert (found is not None) == asked
    if found is not None:
        assert ("over on arrival" in found.text) == (drained_l > 2.87)


def test_a_recording_raises_what_the_page_would_have_asked() -> None:
    report = Report(
        drained_l=2.72, drained_u95_l=0.02, still_to_come_l=0.01, listed_capacity_l=1.372, expected_fill_l=1.36,
        expected_fill_u95_l=0.05, metered_l=None, overflow_l=None, filled_l=None, filled_u95_l=None,
        reference_temperature_c=20.0, verdict="undecided", stage="reseal",
    )  # fmt: skip
    assert [q.kind for q in of_report(report, "2.9 US pt")] == ["unit_mixup", "drained_unlike"]
    assert of_report(replace(report, drained_l=1.36), "2.9 US pt") == []
    assert of_report(replace(report, drained_l=None), "2.9 US pt") == []
