"""Each kind of trouble, one recording of each and four in the long form, through the command that anybody would use."""

from pathlib import Path

import pytest

from tests.apart.mishaps import MISHAPS
from tests.apart.playing import play
from tests.apart.rows import FOUR, ROWS, Row
from tests.apart.running import replay, replay_apart
from tests.lengths import short


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.name)
@pytest.mark.parametrize("seed", short(1, FOUR))
def test_it_ends_as_it_should(row: Row, seed: int) -> None:
    played = play(row.scene(seed))
    assert row.ends(played.truth, replay(played)) == ""


@pytest.mark.parametrize("row", MISHAPS, ids=lambda row: row.name)
@pytest.mark.parametrize("seed", short(1, FOUR))
def test_a_mishap_ends_as_it_should(row: Row, seed: int) -> None:
    played = play(row.scene(seed))
    assert row.ends(played.truth, replay(played)) == ""


def test_a_process_of_its_own_says_the_same(tmp_path: Path) -> None:
    played = play(ROWS[0].scene(1))
    assert replay_apart(played, tmp_path) == replay(played)
