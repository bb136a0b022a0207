"""Comparing fairly: limits that cover, a wolf that is seldom cried, and silence where too few stand behind a figure."""

import random
import statistics

import pytest

from station.learning import fair


def test_wilsons_limits_are_the_published_ones() -> None:
    """NIST/SEMATECH e-Handbook 7.2.4.1 has, for 4 of 20 at 90 %, 0.0888 to 0.3910 by the same formula (two-sided, from
    memory); here at 95 %, worked by hand from it: p = 0.2, z = 1.96."""
    low, high = fair.wilson(4, 20)
    z2 = 1.96**2
    middle, half = (0.2 + z2 / 40) / (1 + z2 / 20), 1.96 * (0.2 * 0.8 / 20 + z2 / 1600) ** 0.5 / (1 + z2 / 20)
    assert (low, high) == pytest.approx((middle - half, middle + half))
    assert fair.wilson(0, 0) == (0.0, 1.0)
    assert fair.wilson(0, 50)[0] == 0.0
    assert fair.wilson(50, 50)[1] == 1.0


def test_a_bad_shop_is_named_its_sisters_are_not_and_a_small_one_is_let_be() -> None:
    found = {
        s.name: s
        for s in fair.shares([("quay", 400, 8), ("harbour", 400, 40), ("hill", 400, 9), ("mill", 3, 2)])
    }
    assert found["harbour"].says == "more than its sisters"
    assert found["quay"].says == found["hill"].says == "like its sisters"
    assert found["harbour"].low < 0.1 < found["harbour"].high
    few = {s.name: s.says for s in fair.shares([("quay", 400, 20), ("mill", 2, 1)])}
    assert few["mill"] == "too few to tell"
    assert [s.says for s in fair.shares([("quay", 400, 20)])] == ["too few to tell"]
    assert fair.shares([]) == []


def test_a_wolf_is_cried_in_one_of_twenty_comparisons_at_most() -> None:
    draw = random.Random(5)
    cried = 0
    for _ in range(300):
        counts = [(f"{n}", 60, sum(draw.random() < 0.08 for _ in range(60))) for n in range(8)]
        cried += any(s.says == "more than its sisters" for s in fair.shares(counts))
    assert cried <= 300 * 0.05 + 3 * (300 * 0.05 * 0.95) ** 0.5


def drawn(draw: random.Random, name: str, n: int, mean: float) -> tuple[str, int, float | None, float | None]:
    values = [draw.gauss(mean, 0.7) for _ in range(n)]
    return name, n, statistics.fmean(values), statistics.stdev(values)


def test_a_meter_that_is_off_its_sisters_is_named() -> None:
    draw = random.Random(1)
    meters = [drawn(draw, f"meter {n}", 60, 0.8 if n == 2 else 0.0) for n in range(5)]
    found = {m.name: m for m in fair.means([*meters, ("new", 3, 4.0, 0.1), ("idle", 0, None, None)])}
    assert [m.name for m in found.values() if m.says == "off its sisters"] == ["meter 2"]
    assert found["meter 2"].difference_percent == pytest.approx(0.8, abs=0.3)
    assert found["new"].says == found["idle"].says == "too few to tell"
    assert fair.means([meters[0]])[0].says == "too few to tell"


def test_meters_that_are_alike_are_seldom_named() -> None:
    draw = random.Random(2)
    named = sum(
        any(m.says == "off its sisters" for m in fair.means([drawn(draw, f"{k}", 25, 0.0) for k in range(6)]))
        for _ in range(100)
    )
    assert named <= 5 + 3 * (100 * 0.05 * 0.95) ** 0.5
