"""Goal L2 in short: every rule that the long form takes out still stands where its table says, and so do the tests that
miss it. The long form is ``make soak``: it takes each out of a copy and has its test fail."""

from pathlib import Path

import pytest

from tests.soak.mutations import ROOT, House, Mutation, judged, read

ALL = read()


def test_every_rule_and_its_test_stand_where_the_table_says() -> None:
    assert len({one.rule for one in ALL}) == len(ALL) > 150
    for one in ALL:
        assert one.stands(), f"{one.rule}: {one.file} does not hold {one.old!r} once"
        for test in one.tests:
            file, _, name = test.partition("::")
            text = (ROOT / file).read_text(encoding="utf-8")
            assert f"def {name.partition('[')[0]}(" in text or not name, test


@pytest.mark.long
def test_a_rule_that_nobody_misses_is_told(tmp_path: Path) -> None:
    house = House(tmp_path)
    sound = Mutation(
        "a comment", "station/record/lock.py", "# Never removed", "# never removed", ALL[0].tests
    )
    assert judged(house, sound) == ""
    with pytest.raises(ValueError, match="does not hold"):
        judged(house, Mutation("nowhere", "station/record/lock.py", "no such line", "", ALL[0].tests))
