"""The study's short form: some of the full study's kinds of job, on seeds of its own."""

import pytest

from tests.apart import tables
from tests.apart.coming_back import visits
from tests.apart.trials import Trial, trial

FIRST = 39_000


@pytest.fixture(scope="module")
def shop() -> list[Trial]:
    return [trial("shop", seed) for seed in range(FIRST, FIRST + 20)]


def test_no_decided_verdict_is_wrong_by_more_than_its_doubt(shop: list[Trial]) -> None:
    print(tables.shop_text(shop))
    assert [t.refused for t in shop if t.refused] == []
    assert tables.to_look_at(tables.beyond_u95(shop)) == []
    assert len(tables.decided_wrong(shop)) <= 1


def test_it_decides_nearly_what_the_best_observer_decides(shop: list[Trial]) -> None:
    """Of 20 jobs: 1.3 × and two jobs more, which so few cannot tell from 1.3 ×."""
    ours, best = tables.undecided(shop)
    assert ours <= 1.3 * best + 2
    assert best < len(shop) / 2


def test_drained_is_covered(shop: list[Trial]) -> None:
    """Of 20, 16 or fewer have a chance of 1.6 % at 95 % coverage."""
    covered, n = tables.drained_covered(shop)
    assert covered > n - 4


def test_to_the_lip_is_full_at_any_temperature() -> None:
    warm = [trial("temperature", FIRST + i) for i in range(0, 18, 3)]
    assert tables.to_look_at([t for t in warm if t.verdict in ("short", "over")]) == []
    assert sum(t.verdict == "full" for t in warm) >= 4


def test_air_is_told_or_left_open() -> None:
    air = [trial("air", FIRST + i) for i in range(5)]
    assert all(map(tables.air_told, air))


@pytest.mark.parametrize("stops", ["target", "lip"])
@pytest.mark.parametrize("seed", [FIRST + 1, FIRST + 8], ids=["-5 %", "+5 %"])
def test_a_meter_that_is_off_by_five_percent(stops: str, seed: int) -> None:
    t = trial(f"meter, to the {stops}", seed)
    assert abs(float(t.group.split()[0])) == 5
    assert not t.wrong
    if stops == "lip":
        assert t.verdict == t.true_verdict == "full"


@pytest.mark.parametrize("seed", [45_000, 45_020])
def test_half_a_fill_is_not_full_for_a_tick_where_the_pan_weighed_twice_as_much(seed: int) -> None:
    """Pints listed for imperial pints or quarts, the fill stopped at that, and the level ticked without a look."""
    ((truth, said, _, far, asked),) = visits(seed, "wrong unit, ticked", 1)
    assert (truth, far, asked) == ("short", True, True)
    assert said in ("undecided", "short")


@pytest.mark.parametrize("seed", [45_016, 45_031])
def test_a_tick_is_no_look_where_the_pan_weighed_a_sixth_more_than_went_in(seed: int) -> None:
    """US for imperial measure, or quarts for litres: what came out is within what a vehicle may be overfilled by."""
    ((truth, said, _, far, asked),) = visits(seed, "wrong unit, ticked", 1)
    assert (truth, far, asked) == ("short", True, True)
    assert said in ("undecided", "short")
