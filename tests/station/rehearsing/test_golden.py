"""No figure moves but where one is meant to: whole jobs come out as they are kept in tests/data/golden.

Three of the twenty rehearsals here, the rest in the long form: ``-m ""`` plays all.
"""

import copy

import pytest

from tests.golden import SEEDS, differences, kept, rehearsed, replayed
from tests.lengths import short


@pytest.mark.parametrize("seed", short(3, SEEDS))
def test_a_rehearsal_gives_the_figures_that_were_kept(seed: int) -> None:
    assert list(differences(kept(f"rehearse_{seed}"), rehearsed(seed))) == []


def test_a_replay_gives_the_figures_that_were_kept() -> None:
    assert list(differences(kept("replay_bus7_axle"), replayed())) == []


def test_a_figure_that_moves_in_its_ninth_digit_is_seen() -> None:
    was = kept("replay_bus7_axle")
    now = copy.deepcopy(was)
    now["filled_l"] *= 1.0 + 2e-9
    now["budgets"]["drained"]["terms"][0]["u"] *= 1.001
    del now["notices"]
    assert len(list(differences(was, now))) == 3
