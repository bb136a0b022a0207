"""Comparing fairly: limits that cover, a wolf that is seldom cried, and silence where too few stand behind a figure."""

import math
import random
import statistics
import time
from collections.abc import Iterable, Sequence
from datetime import date
from typing import Any

import pytest

from calibration.student import student_t
from station.learning import fair
from station.learning.compared import BAYS, FLUID_BY_MONTH, SHOPS, TYPE_BY_SHOP, TYPES, compared
from station.record.many.tallies import Counts, MonthTally


def columns(*rows: Iterable[Any]) -> Any:
    return zip(*rows, strict=True)


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
        for s in fair.shares(
            *columns(("quay", 400, 8), ("harbour", 400, 40), ("hill", 400, 9), ("mill", 3, 2))
        ).shown
    }
    assert found["harbour"].says == "more than its sisters"
    assert found["quay"].says == found["hill"].says == "like its sisters"
    assert found["harbour"].low < 0.1 < found["harbour"].high
    few = {s.name: s.says for s in fair.shares(*columns(("quay", 400, 20), ("mill", 2, 1))).shown}
    assert few["mill"] == "too few to tell"
    assert [s.says for s in fair.shares(*columns(("quay", 400, 20))).shown] == ["too few to tell"]
    assert (fair.shares((), (), ()), fair.means((), (), (), ())) == (fair.Judged([], [], 0, 0),) * 2


def test_the_first_of_very_many_are_the_first_of_all() -> None:
    draw = random.Random(3)
    counts = [(f"{k}", n := draw.choice((5, 20, 60)), draw.randrange(n // 4 + 1)) for k in range(300)]
    every, first = (
        fair.shares(*columns(*counts, ("bad", 60, 40))),
        fair.shares(*columns(*counts, ("bad", 60, 40)), most=7),
    )
    assert [s.name for s in every.out] == [s.name for s in first.out] == ["bad"]
    assert (first.rest, len(every.rest)) == (every.rest[:7], 300)
    assert (first.like, first.few) == (every.like, every.few)
    assert first.like + first.few == 300
    ranked = [(-s.short / s.jobs, s.name) for s in every.rest]
    assert ranked == sorted(ranked)


def test_a_wolf_is_cried_in_one_of_twenty_comparisons_at_most() -> None:
    draw = random.Random(5)
    cried = 0
    for _ in range(300):
        counts = [(f"{n}", 60, sum(draw.random() < 0.08 for _ in range(60))) for n in range(8)]
        cried += bool(fair.shares(*columns(*counts)).out)
    assert cried <= 300 * 0.05 + 3 * (300 * 0.05 * 0.95) ** 0.5


def drawn(draw: random.Random, name: str, n: int, mean: float) -> tuple[str, int, float | None, float | None]:
    values = [draw.gauss(mean, 0.7) for _ in range(n)]
    return name, n, statistics.fmean(values), statistics.stdev(values)


def test_a_meter_that_is_off_its_sisters_is_named() -> None:
    draw = random.Random(1)
    meters = [drawn(draw, f"meter {n}", 60, 0.8 if n == 2 else 0.0) for n in range(5)]
    found = {
        m.name: m for m in fair.means(*columns(*meters, ("new", 3, 4.0, 0.1), ("idle", 0, None, None))).shown
    }
    assert [m.name for m in found.values() if m.says == "off its sisters"] == ["meter 2"]
    assert found["meter 2"].difference_percent == pytest.approx(0.8, abs=0.3)
    assert found["new"].says == found["idle"].says == "too few to tell"
    assert fair.means(*columns(meters[0])).shown[0].says == "too few to tell"


def welch(one: Any, sisters: Sequence[Any], percent: float) -> tuple[float, float]:
    """One against the others, term by term as the e-Handbook has it."""
    m = sum(n for _, n, _, _ in sisters)
    centre = sum(n * mean for _, n, mean, _ in sisters) / m
    squares = sum((n - 1) * sd**2 + n * (mean - centre) ** 2 for _, n, mean, sd in sisters)
    a, b = one[3] ** 2 / one[1], squares / (m - 1) / m
    dof = (a + b) ** 2 / (a**2 / (one[1] - 1) + b**2 / (m - 1))
    return one[2] - centre, student_t(dof, percent) * math.sqrt(a + b)


def test_sums_over_all_less_ones_own_give_what_each_against_its_sisters_gives() -> None:
    for seed in range(20):
        draw = random.Random(seed)
        meters: list[Any] = [
            drawn(draw, f"{k}", draw.choice((10, 25, 80)), draw.choice((50.0, 50.0, 50.0, 51.0, 49.0)))
            for k in range(12)
        ]
        found = {m.name: m for m in fair.means(*columns(*meters)).shown}
        off = {m.name for m in found.values() if m.says == "off its sisters"}
        for one in meters:
            sisters = [x for x in meters if x[0] not in off | {one[0]}]
            against = welch(one, sisters, 100 * (1 - 0.05 / 12))
            mine = found[one[0]]
            assert (mine.difference_percent, mine.u95_percent) == pytest.approx(against, rel=1e-9), seed
            assert (abs(against[0]) > against[1]) <= (one[0] in off), seed


def test_of_two_that_differ_both_are_named() -> None:
    found = fair.means(*columns(("meter 1", 40, 0.9, 0.5), ("meter 2", 60, 0.0, 0.6), ("new", 2, 0.0, 0.1)))
    assert [(m.name, m.says) for m in found.shown] == [
        ("meter 2", "off its sisters"),
        ("meter 1", "off its sisters"),
        ("new", "too few to tell"),
    ]
    assert [m.difference_percent for m in found.out] == pytest.approx([-0.9, 0.9])


def test_four_thousand_meters_are_compared_at_once() -> None:
    draw = random.Random(9)
    meters = [(f"{k}", 30, draw.gauss(2.0 * (k % 50 == 0), 0.1), 0.7) for k in range(4000)]
    begun_s = time.process_time()
    found = fair.means(*columns(*meters), most=10)
    assert time.process_time() - begun_s < 2.0, "0.1 s; with its square it were a minute and more"
    assert {m.name for m in found.out} == {f"{k}" for k in range(0, 4000, 50)}
    assert (len(found.rest), found.like, found.few) == (10, 3920, 0)
    assert found.rest == fair.means(*columns(*meters)).rest[:10]


def test_meters_that_are_alike_are_seldom_named() -> None:
    draw = random.Random(2)
    named = sum(
        bool(fair.means(*columns(*(drawn(draw, f"{k}", 25, 0.0) for k in range(6)))).out) for _ in range(100)
    )
    assert named <= 5 + 3 * (100 * 0.05 * 0.95) ** 0.5


def test_the_limit_is_exact_where_few_stand_behind_it() -> None:
    """Of 40 jobs 6 short, 8 in one shop: P(at least 4 of 8) by counting the ways, C(6,i)·C(34,8−i)/C(40,8)."""
    ways = {k: math.comb(6, k) * math.comb(34, 8 - k) / math.comb(40, 8) for k in range(7)}
    tails = {k: sum(ways[i] for i in range(k, 7)) for k in ways}
    first = next(k for k in range(3, 7) if tails[k] < 0.025)
    [small, _] = fair.shares(*columns(("quay", 8, 4), ("harbour", 32, 2))).shown
    assert (small.limit, first) == (4, 4)
    assert small.says == "more than its sisters"
    assert fair.shares(*columns(("quay", 8, 3), ("harbour", 32, 3))).shown[0].says == "like its sisters"
    assert fair.limit_of(40, 6, 2, 0.025) is None, "not even both would be enough"
    assert fair.limit_of(40, 30, 20, 0.025) == next(
        k
        for k in range(10, 21)
        if sum(math.comb(30, i) * math.comb(10, 20 - i) for i in range(k, 21)) / math.comb(40, 20) < 0.025
    )


def test_like_is_compared_with_like() -> None:
    """The quay fills mostly the hard type, and comes in low among shops; within each type it is like the others. One month of one
    fluid was bad."""
    types = Counts(
        "compartment type",
        ["quay", "quay", "harbour", "harbour"],
        ["hard", "easy"] * 2,
        [200, 20, 20, 400],
        [40, 0, 4, 4],
    )
    bays = Counts("bay", ["quay", "harbour"], ["bay-1", "bay-1"], [220, 420], [40, 8])
    months = [MonthTally(date(2026, n, 1), "ATF", 50, 12 if n == 5 else 1) for n in range(1, 9)]
    months.append(MonthTally(date(2026, 5, 1), "gear oil", 4, 1))
    judged = compared([bays, types], months)
    found = [one for each in judged.values() for one in each.shown]
    more = [(c.comparison, c.of, c.name) for c in found if c.says == "more than its sisters"]
    assert more == [
        (SHOPS, "", "quay"),
        (BAYS, "", "quay · bay-1"),
        (TYPES, "", "hard"),
        (FLUID_BY_MONTH, "ATF", "2026-05"),
    ]
    assert [c.says for c in found if c.of == "gear oil"] == ["too few to tell"]
    assert {c.name for c in found if (c.comparison, c.of) == (TYPE_BY_SHOP, "hard")} == {"quay", "harbour"}
