"""The leak watch: what a slope proves, and what it does not."""

import math
import random
from dataclasses import replace

import pytest

from station.rehearsing.mishap import Mishap
from station.rehearsing.rehearse import rehearse
from station.rehearsing.scenario import Technician, read_scenario
from station.weighing import leak
from station.weighing.limits import LIMITS


def test_a_watch_says_what_it_would_have_found() -> None:
    got = leak.watch(0.0, 4e-7, 0.0, 0.0, 870.0)
    u_kg_s = math.hypot(4e-7, LIMITS.u_cell_kg_s)
    assert got.u95_l_h == pytest.approx(
        1.959964 * u_kg_s * 3600 / 0.87, rel=1e-6
    )  # normal, as every U95 here
    assert got.limit_l_h == pytest.approx(3.29 * u_kg_s * 3600 / 0.87)
    assert not got.found
    assert got.text == f"No leak above {math.ceil(got.limit_l_h * 1000)} mL/h."


def test_a_leak_is_told_with_its_uncertainty() -> None:
    got = leak.watch(0.1 * 0.87 / 3600, 4e-7, 0.0, 0.0, 870.0)
    assert got.found
    assert got.rate_l_h == pytest.approx(0.1)
    assert got.text == "Leak of 100 ± 5 mL/h."  # 4.06 mL/h, rounded up


def test_evaporation_is_taken_off_and_its_doubt_widens_the_limit() -> None:
    calm, drifting = (leak.watch(-2e-5, 4e-7, drift, u, 870.0) for drift, u in ((-2e-5, 0.0), (-2e-5, 5e-6)))
    assert calm.rate_l_h == pytest.approx(0.0, abs=1e-12)
    assert drifting.limit_l_h > 5 * calm.limit_l_h


@pytest.mark.parametrize(
    ("slope_kg_s", "found", "unsure"),
    [(-5e-5, False, False), (-2e-5, False, True), (0.0, False, True), (2e-5, True, False)],
)
def test_only_what_came_is_a_leak_and_what_did_not_dry_is_left_open(
    slope_kg_s: float, found: bool, unsure: bool
) -> None:
    """A pan that dried at 3 g a minute: one that still does, one that does less, one that lies still and one that gains."""
    got = leak.watch(slope_kg_s, 4e-7, -5e-5, 1e-6, 870.0)
    assert (got.found, got.unsure) == (found, unsure)
    least_l_h, most_l_h = (s * 3600 / 0.87 for s in (max(0.0, slope_kg_s), slope_kg_s + 5e-5))
    if found or unsure:
        assert got.likely_l_h == pytest.approx(0.5 * (least_l_h + most_l_h))
        assert got.likely_l_h + got.u95_l_h > most_l_h
        assert got.likely_l_h - got.u95_l_h < least_l_h
    if unsure:
        ceil = math.ceil(1000 * (most_l_h + leak.ONE_SIDED_95 * got.u_l_h))
        assert got.text == f"Either something in the pan stopped drying, or up to {ceil} mL/h leak."


def test_one_in_twenty_dry_watches_alarms_and_one_in_twenty_leaks_at_the_limit_hides() -> None:
    rng, u = random.Random(5), 4e-7
    u_all = math.hypot(u, LIMITS.u_cell_kg_s)
    limit_kg_s = leak.watch(0.0, u, 0.0, 0.0, 870.0).limit_l_h * 0.87 / 3600
    alarms = sum(leak.watch(rng.gauss(0.0, u_all), u, 0.0, 0.0, 870.0).found for _ in range(4000))
    hidden = sum(
        not leak.watch(limit_kg_s + rng.gauss(0.0, u_all), u, 0.0, 0.0, 870.0).found for _ in range(4000)
    )
    assert 0.035 < alarms / 4000 < 0.065
    assert 0.035 < hidden / 4000 < 0.065


@pytest.mark.parametrize(("l_h", "found"), [(0.0, False), (0.05, True)])
def test_a_dripping_gasket_is_found_in_three_minutes(l_h: float, found: bool) -> None:
    scenario = replace(
        read_scenario(None),
        technician=Technician(patience_s=300.0, cure_s=200.0),
        mishaps=(Mishap("leak", "plug_in", 0.0, l_h=l_h),) if l_h else (),
    )
    report = rehearse(scenario, 3).report().to_dict()
    assert (report["leak_l_h"] > report["leak_limit_l_h"] / 2) == found
    assert abs(report["leak_l_h"] - l_h) < report["leak_limit_l_h"]
    assert report["leak_text"].startswith("Leak of" if found else "No leak above")
    assert report["leak_limit_l_h"] < 0.015
