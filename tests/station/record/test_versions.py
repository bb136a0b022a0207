"""How far a bay is with what its shop tells, and behind which version it goes on."""

import pytest

from station.record.versions import At


@pytest.mark.parametrize(
    ("here", "newest", "after"),
    [
        (At(), At(5, "a"), 0),
        (At(3, "a"), At(5, "a"), 3),
        (At(5, "a"), At(5, "a"), 5),
        (
            At(9, "a"),
            At(5, "a"),
            9,
        ),  # the roll-up was put back to an older copy: its next version is higher (lists.heard)
        (At(9, "a"), At(5, "b"), 0),  # it was set up anew, or the bay is another shop's now
        (At(5, "a"), At(9, "b"), 0),
        (At(3), At(5, "a"), 3),  # a record from before series were told
        (At(9), At(5, "a"), 0),
        (At(3, "a"), At(5), 3),  # a roll-up that tells none yet
    ],
)
def test_a_bay_goes_on_from_where_it_is_or_begins_anew(here: At, newest: At, after: int) -> None:
    assert here.behind(newest) == after
