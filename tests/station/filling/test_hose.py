"""What comes out of the hose next."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.filling.hose import Hose, Slug, same_grade

ATF, GEAR = ("atf", "ATF"), ("gear", "75W-90")
PUMPED = st.lists(
    st.tuples(st.sampled_from([ATF, GEAR, ("gear b", "75W-90")]), st.floats(0.0, 2.0)), max_size=12
)


@given(PUMPED)
def test_it_always_holds_its_volume_and_the_last_that_went_in(
    pumped: list[tuple[tuple[str, str], float]],
) -> None:
    hose = Hose(0.35)
    went = [((("", ""), 0.35)), *pumped]
    for fluid, moved_l in pumped:
        hose = hose.pump(*fluid, moved_l)
    if any(moved_l > 0 for _, moved_l in pumped):
        assert sum(s.volume_l for s in hose.slugs) == pytest.approx(0.35)
    # An independent count: fill a line of millilitres from the end.
    line: list[tuple[str, str]] = []
    for fluid, moved_l in went:
        line += [fluid] * round(moved_l * 10_000)
    line = line[-3500:]
    for fluid in (ATF, GEAR):
        share_l = sum(s.volume_l for s in hose.slugs or (Slug("", "", 0.35),) if (s.fluid, s.grade) == fluid)
        assert share_l == pytest.approx(line.count(fluid) / 10_000, abs=0.0015)


def foreign(hose: Hose) -> tuple[float, str, str]:
    """What is foreign to gear oil, to the nanolitre."""
    volume_l, fluid, grade = hose.foreign(*GEAR)
    return round(volume_l, 9), fluid, grade


def test_a_purge_of_its_volume_leaves_nothing_foreign() -> None:
    hose = Hose(0.35).pump(*ATF, 1.0)
    assert hose.foreign(*ATF) == (0.0, "", "")
    assert foreign(hose) == (0.35, *ATF)
    hose = hose.pump(*GEAR, 0.2)
    assert foreign(hose) == (0.15, *ATF)
    assert hose.pump(*GEAR, 0.15).foreign(*GEAR) == (0.0, "", "")


def test_a_slug_of_another_grade_is_told_before_one_of_the_same() -> None:
    hose = Hose(0.3, (Slug("gear b", "75W-90", 0.1), Slug("atf", "ATF", 0.1), Slug("gear", "75W-90", 0.1)))
    assert foreign(hose) == (0.2, "atf", "ATF")


def test_what_nobody_knows_is_foreign_and_a_bay_without_a_hose_asks_nothing() -> None:
    assert Hose(0.35).foreign(*GEAR) == (0.35, "", "")
    assert Hose(0.0).foreign(*GEAR) == (0.0, "", "")
    assert Hose(0.0).pump(*GEAR, 1.0) == Hose(0.0)


def test_it_reads_back_as_it_was_written() -> None:
    hose = Hose(0.35).pump(*ATF, 0.2)
    assert Hose.from_dict(hose.to_dict()) == hose


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [("75W-90", "75w 90", True), ("75W-90", "80W-90", False), ("", "", False), ("ATF", "", False)],
)
def test_grades_are_compared_as_they_are_meant(one: str, other: str, same: bool) -> None:
    assert same_grade(one, other) is same
