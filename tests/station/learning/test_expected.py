"""Shrinkage against its closed form, against integration, and against the truth in a simulated shop."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.errors import InputError
from station.figures import balance
from station.given.config import Compartment
from station.learning import expected
from station.learning.expected import learn, prior_spread, shrink, spread
from station.record.ledger import job_row
from tests.station.figures.test_witnesses import OIL, fill
from tests.station.shop_rows import shop


def test_shrinkage_is_the_closed_form() -> None:
    """Two normal densities of equal width: the posterior lies half way, with u smaller by the square root of two."""
    value, u, weight = shrink(prior=2.0, tau=0.1, mean=3.0, n=4, repeatability=0.2, u_common=0.0)
    assert (value, weight) == pytest.approx((2.5, 0.5))
    assert u == pytest.approx(0.1 / math.sqrt(2.0))


@pytest.mark.parametrize("case", [(2.8, 0.05, 2.95, 3, 0.04, 0.01), (1.0, 0.3, 0.6, 1, 0.1, 0.05)])
def test_shrinkage_agrees_with_integrating_prior_times_likelihood(
    case: tuple[float, float, float, int, float, float],
) -> None:
    prior, tau, mean, n, s, u_common = case
    x = np.linspace(prior - 12 * tau, prior + 12 * tau, 400_001)
    v = s * s / n + u_common**2
    density = np.exp(-0.5 * ((x - prior) / tau) ** 2 - 0.5 * (mean - x) ** 2 / v)
    density /= density.sum()
    at = float((x * density).sum())
    value, u, _ = shrink(*case)
    assert value == pytest.approx(at, abs=1e-9)
    assert u == pytest.approx(math.sqrt(float(((x - at) ** 2 * density).sum())), rel=1e-6)


def test_without_jobs_it_is_the_listed_figure_and_says_so() -> None:
    got = learn(2.9, "cover removed", [])
    assert (got.words, got.n, got.weight) == ("listed", 0, 0.0)
    assert got.value_l == pytest.approx(2.9 * 0.99)
    # half a tenth of a litre, rectangular; the level at the plug; and twice what a method leaves: mean, and job by job
    assert got.u_l == pytest.approx(
        math.hypot(0.05 / math.sqrt(3), 2.871 * 0.005, 2.871 * 0.005, 2.9 * 0.005)
    )


@given(st.integers(1, 30), st.floats(-1.0, 1.0), st.floats(0.0, 1.0))
def test_knowing_more_never_makes_the_doubt_grow(n: int, off: float, scatter: float) -> None:
    """Fills that agree with the listing within its doubt and scatter no more than fills do."""
    listed = learn(2.9, "cover removed", [])
    middle = listed.value_l + off * 0.03
    fills = [(middle + scatter * 0.0143 * (-1) ** k, 0.006) for k in range(n)]
    assert learn(2.9, "cover removed", fills).u_l <= listed.u_l


def test_the_prior_breaks_instead_of_bending() -> None:
    """What the shop measured is kept as it is where the listing cannot be meant, and weighed where it can."""
    broken = learn(5.8, "cover removed", [(2.85, 0.006)] * 3)
    assert broken.against_listing
    assert broken.value_l == pytest.approx(2.85, abs=0.01)
    bent = learn(2.9, "cover removed", [(2.85, 0.006)] * 3)
    assert not bent.against_listing
    assert 2.85 < bent.value_l < 2.87


def test_words_count_the_jobs_and_the_weight_grows_with_them() -> None:
    one, ten = (learn(2.9, "cover removed", [(3.0, 0.005)] * n) for n in (1, 10))
    assert (one.words, ten.words) == ("learned from 1 job", "learned from 10 jobs, against the listing")
    assert 0.0 < one.weight < ten.weight < 1.0
    assert 2.871 < one.value_l < ten.value_l < 3.0
    assert ten.retained_l < 0  # more goes in than is listed


def test_the_meters_own_error_is_not_averaged_away() -> None:
    many = learn(2.9, "drain plug", [(2.8, 0.02)] * 200)
    assert many.u_mean_l > 0.8 * 0.02


def test_a_mixed_up_fill_is_left_out_and_counted() -> None:
    fills = [(2.85, 0.005), (2.86, 0.005), (2.87, 0.005), (2.86, 0.005), (5.7, 0.005)]
    got = learn(2.9, "cover removed", fills)
    assert (got.n, got.left_out) == (4, 1)
    assert got.value_l == pytest.approx(2.86, abs=0.01)


def test_spread_moves_from_the_prior_to_what_the_shop_shows() -> None:
    prior = prior_spread("drain plug")
    same = spread("drain plug", [])
    assert (same.tau_rel, same.repeatability_rel) == pytest.approx((prior.tau_rel, prior.repeatability_rel))
    draw = np.random.default_rng(5)
    types = []
    for off in draw.normal(0.0, 0.06, 400):
        r = 1.0 + off + draw.normal(0.0, 0.01, 10)
        types.append((10, float(r.mean()), float(((r - r.mean()) ** 2).sum())))
    got = spread("drain plug", types)
    assert got.tau_rel == pytest.approx(0.06, rel=0.1)
    assert got.repeatability_rel == pytest.approx(0.01, rel=0.1)


def test_learned_figures_beat_listed_ones_and_cover_the_truth() -> None:
    """300 types off their listing by 4 %, 6 jobs each: the shrunken figure is nearest, its interval honest."""
    draw = np.random.default_rng(11)
    truths = 2.9 * 0.99 * (1.0 + draw.normal(0.0, 0.04, 300))
    shown = [[(float(x), 0.004) for x in draw.normal(truth, 0.03, 6)] for truth in truths]
    types = []
    for fills in shown:
        r = np.array([x for x, _ in fills]) / (2.9 * 0.99)
        types.append((6, float(r.mean()), float(((r - r.mean()) ** 2).sum())))
    shop_spread = spread("cover removed", types)
    got = [learn(2.9, "cover removed", fills, shop_spread) for fills in shown]
    errors = np.array([g.value_l for g in got]) - truths
    listed = 2.9 * 0.99 - truths
    assert float(np.abs(errors).mean()) < 0.2 * float(np.abs(listed).mean())
    inside = np.abs(errors) <= 2.0 * np.array([g.u_mean_l for g in got])
    assert 0.92 <= inside.mean() <= 0.99


def test_the_season_of_a_fill_does_not_get_into_the_size_of_its_compartment(tmp_path: Path) -> None:
    """Filled to the lip at 4 and at 38 °C: 3 % more litres at 20 °C, and the same compartment."""
    names = ("Bus 12", "Bus 7")
    ledger, filled = shop(tmp_path / "l.sqlite"), []
    for number, (vehicle, at_c) in enumerate(zip(names, (4.0, 38.0), strict=True)):
        factor = OIL.density_kg_m3(at_c) / OIL.density_kg_m3(20.0)
        report = balance.report(fill(2.80 * factor + 0.03, over_l=0.03, supply_c=at_c))
        assert report.filled_l is not None
        filled.append(report.filled_l)
        labels = {"vehicle": vehicle, "compartment": "rear axle", "method": "cover removed"}
        utc = f"2026-03-1{number}T08:00:00+00:00"
        row = job_row(f"j{number}", utc, utc, labels, replace(report, stage="closed"))
        ledger.db.table("job").insert(row.to_dict())
    assert filled[0] / filled[1] == pytest.approx(1.025, abs=0.005)
    cold, hot = (
        expected.expected_fill(ledger, f"{name} / rear axle", 2.9, "cover removed") for name in names
    )
    assert cold.n == hot.n == 1
    assert cold.mean_l == pytest.approx(hot.mean_l, abs=0.002)
    assert cold.mean_l == pytest.approx(2.80, abs=0.01)
    ledger.close()


def test_a_level_that_was_not_believed_teaches_nothing(tmp_path: Path) -> None:
    ledger = shop(
        tmp_path / "l.sqlite",
        {"filled_l": 3.00, "level_proved": 1, "proved_fill_l": 2.98, "level_seen": 0},
        {"filled_l": 2.30, "level_proved": 0, "level_seen": 1},
    )
    got = expected.expected_fill(ledger, "midibus rear axle", 2.9, "cover removed")
    assert (got.n, got.mean_l) == (1, 2.98)
    assert expected.shop_spread(ledger, "cover removed").jobs == 1
    ledger.close()


@pytest.mark.parametrize("listed_l", [0.0, -1.0, math.nan])
def test_a_listed_capacity_that_is_none_is_refused(listed_l: float) -> None:
    with pytest.raises(ValueError, match="listed_l"):
        learn(listed_l, "suction", [])


def test_only_jobs_whose_level_was_seen_teach(tmp_path: Path) -> None:
    ledger = shop(
        tmp_path / "l.sqlite",
        {"filled_l": 3.00, "level_seen": 1},
        {"filled_l": 3.02, "level_seen": 1},
        {"filled_l": 2.50, "level_seen": 0},
        {"filled_l": 2.40, "level_seen": 1, "stage": "abandoned"},
        {"filled_l": 2.30, "level_seen": 1, "method": "suction"},
        {"filled_l": None, "filled_u95_l": None, "level_seen": 1},
    )
    got = expected.expected_fill(ledger, "midibus rear axle", 2.9, "cover removed")
    assert got.n == 2
    assert got.mean_l == pytest.approx(3.01)
    other = expected.expected_fill(ledger, "another type", 2.9, "cover removed")
    assert other.words == "listed"
    rows = expected.overview(
        ledger,
        [
            Compartment(v, "rear axle", "2.9 L", "75W-90", "cover removed", type=t, key=v)
            for v, t in (("Bus 12", "midibus rear axle"), ("Bus 7", ""))
        ],
    )
    assert [row["words"] for row in rows] == ["learned from 2 jobs", "listed"]
    bare = Compartment("Bus 9", "rear axle", "5", "75W-90", "cover removed", key="b")
    with pytest.raises(InputError, match="Bus 9 / rear axle: capacity"):
        expected.overview(ledger, [bare])
    ledger.close()
