"""What several bays filled into one type: put together by its closed form, the same from wherever it is seen, and honest."""

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from station.errors import InputError
from station.learning import expected, sisters
from station.learning.expected import learn
from station.learning.sisters import Fills, summed, together, told_of
from station.record.ledger import now
from station.record.versions import At
from tests.station.shop_rows import shop


def test_bays_weigh_by_the_inverse_of_their_variance() -> None:
    """4 fills that scatter by 0.02 L of a meter good to 0.01 L, and 1 of a perfect one: 1 / (0.0001 + 0.0001), 1 / 0.0004."""
    mean_l, u_l = together([Fills(4, 2.80, 0.0, 0.01), Fills(1, 2.83, 0.0, 0.0)], 0.02**2)
    assert mean_l == pytest.approx((2.80 * 5000 + 2.83 * 2500) / 7500)
    birge = 0.02**2 * 2500 + 0.01**2 * 5000  # over one degree of freedom
    assert birge > 1
    assert u_l == pytest.approx(math.sqrt(birge / 7500 - 0.02**2 / 5))


def test_bays_that_agree_are_not_doubted_less_than_their_best_meter() -> None:
    assert together([Fills(50, 2.80, 0.0, 0.010)] * 4, 0.01**2)[1] == 0.010
    apart = [Fills(50, 2.80, 0.0, 0.005), Fills(50, 2.90, 0.0, 0.005)]
    assert together(apart, 0.01**2)[1] == pytest.approx(0.05, rel=0.01), "they contradict each other by 0.1 L"


def test_from_every_bay_the_shop_looks_the_same_and_no_fill_counts_twice() -> None:
    """Each learns from its own fills and its sister's line, and each comes to what one bay with all of them comes to."""
    here = [(2.84, 0.006), (2.86, 0.006), (2.85, 0.006)]
    there = [(2.87, 0.006), (2.83, 0.006), (2.85, 0.006), (2.85, 0.006)]
    lines = [summed(fills, 0.0, bay=f"bay-{n}") for n, fills in enumerate((here, there))]
    assert lines[0] is not None
    assert lines[1] is not None
    first = learn(2.9, "cover removed", here, elsewhere=[lines[1]])
    second = learn(2.9, "cover removed", there, elsewhere=[lines[0]])
    alone = learn(2.9, "cover removed", here + there)
    assert (first.value_l, first.u_l) == pytest.approx((second.value_l, second.u_l))
    assert first.n == alone.n == 7
    assert first.value_l == pytest.approx(alone.value_l, abs=1e-4)
    assert first.u_mean_l == pytest.approx(alone.u_mean_l, rel=0.1)
    assert (first.own_n, second.own_n) == (3, 4)
    assert first.words == "learned from 7 jobs, 4 of them at other bays"
    told = learn(2.9, "cover removed", [], elsewhere=[lines[1]])
    assert (told.n, told.own_n, told.words) == (4, 0, "learned from 4 jobs at other bays")


def test_with_its_sisters_a_bay_is_nearer_and_its_interval_stays_honest() -> None:
    """300 types, 4 % off their listings; four bays of 6 fills, each meter off by its own 0.4 % for all of them."""
    draw, base = np.random.default_rng(3), 2.9 * 0.99
    found, alone, truths = [], [], base * (1.0 + draw.normal(0.0, 0.04, 300))
    shop_spread = expected.Spread(0.04, 0.01, 300, 1800)
    for truth in truths:
        bays = [
            [
                (float(x), 0.004 * base)
                for x in truth + draw.normal(0.0, 0.004 * base) + draw.normal(0.0, 0.03, 6)
            ]
            for _bay in range(4)
        ]
        lines = [line for fills in bays[1:] if (line := summed(fills, 0.01 * base, bay="x")) is not None]
        found.append(learn(2.9, "cover removed", bays[0], shop_spread, elsewhere=lines))
        alone.append(learn(2.9, "cover removed", bays[0], shop_spread))
    off, off_alone = (np.array([one.value_l for one in many]) - truths for many in (found, alone))
    assert float(np.abs(off).mean()) < 0.65 * float(np.abs(off_alone).mean())
    inside = np.abs(off) <= 2.0 * np.array([one.u_mean_l for one in found])
    assert 0.94 <= inside.mean() <= 1.0


LINE = Fills(
    5, 2.95, 0.0004, 0.006, 0, "bay-2", "midibus rear axle", "cover removed", "2026-01-05", "2026-03-01"
)


def told(version: int, *fills: Fills) -> dict[str, Any]:
    return sisters.Told(version, "2026-03-02T08:00:00+00:00", fills).body()


def test_the_newest_word_of_each_sister_stands_in_the_record(tmp_path: Path) -> None:
    ledger = shop(tmp_path / "l.sqlite", *[{"filled_l": x, "level_seen": 1} for x in (2.99, 3.01)])
    before = expected.expected_fill(ledger, "midibus rear axle", 2.9, "cover removed")
    for body in (
        told(1, LINE, Fills(**{**vars(LINE), "bay": "bay-3", "n": 9})),
        told(4, Fills(**{**vars(LINE), "n": 6}), Fills(**{**vars(LINE), "bay": "bay-3", "n": 0})),
    ):
        written = told_of(body).body()
        written["fills"] = [{**line, "of_a_newer_station": 1} for line in written["fills"]]
        ledger.append(None, sisters.EVENT, written, now())
    got = expected.expected_fill(ledger, "midibus rear axle", 2.9, "cover removed")
    assert [(one.bay, one.n) for one in got.bays] == [("", 2), ("bay-2", 6)]
    assert got.value_l < before.value_l
    assert (before.n, sisters.newest(ledger)) == (2, At(4))
    for version, series, n in (
        (5, "one", 7),
        (2, "another", 3),
    ):  # the same roll-up, updated; another one, or another shop's
        line = Fills(**{**vars(LINE), "bay": f"bay-{version}", "n": n})
        ledger.append(None, sisters.EVENT, sisters.Told(version, now().utc, (line,), series).body(), now())
        got = expected.expected_fill(ledger, "midibus rear axle", 2.9, "cover removed")
        sixth = [("bay-2", 6)] if series == "one" else []
        assert [(one.bay, one.n) for one in got.bays] == [("", 2), *sixth, (f"bay-{version}", n)]
    assert sisters.newest(ledger) == At(2, "another")
    other = expected.expected_fill(ledger, "midibus rear axle", 2.9, "drain plug")
    assert other.words == "listed"
    ledger.close()


@pytest.mark.parametrize("wrong", [{"n": -1}, {"mean_l": math.nan}, {"u_l": "much"}, {"n": None}])
def test_what_is_no_line_is_refused(wrong: dict[str, Any]) -> None:
    body = told(1, LINE)
    body["fills"][0] |= wrong
    with pytest.raises(InputError, match="other bays' fills"):
        told_of(body)
