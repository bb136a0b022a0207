"""What is learned from stops, and what never is."""

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.filling.limits import LIMITS
from station.filling.overrun import Overrun, Stop


def stop(overrun_l: float, flow_l_min: float = 3.0, kv: float | None = 100.0, clean: bool = True) -> Stop:
    return Stop(0.0, 2.0, 1.9, 0.01, 1.9 + overrun_l, flow_l_min, kv, "target reached", clean)


STOPS = st.builds(
    stop,
    st.floats(-0.5, 5.0),
    st.floats(0.01, 60.0),
    st.one_of(st.none(), st.floats(1.0, 50_000.0)),
    st.booleans(),
)


@given(st.lists(STOPS, max_size=30), st.floats(0.0, 60.0), st.floats(1.0, 50_000.0), st.floats(0.0, 50.0))
def test_the_forecast_never_passes_a_tenth_of_the_target(
    stops: list[Stop], flow: float, kv: float, target_l: float
) -> None:
    line = Overrun()
    for one in stops:
        line = line.learn(one)
    assert 0.0 <= line.forecast_l(flow, kv, target_l) <= LIMITS.overrun_share_most * target_l
    assert 0.0 <= line.seconds(kv) <= LIMITS.overrun_longest_s
    assert line.stops == sum(one.clean for one in stops)


def test_a_stop_that_was_not_clean_teaches_nothing() -> None:
    line = Overrun()
    assert line.learn(stop(0.5, clean=False)) is line


def test_a_line_over_viscosity_is_found() -> None:
    rng = random.Random(1)
    line = Overrun()
    for _ in range(40):
        kv = 10 ** rng.uniform(1.4, 3.5)
        flow_l_min = 3.6 / (1.0 + kv / 900.0)
        seconds = 0.25 + 0.08 * math.log10(kv / 100.0)
        line = line.learn(stop(flow_l_min / 60.0 * seconds + rng.gauss(0.0, 0.001), flow_l_min, kv))
    assert line.seconds(100.0) == pytest.approx(0.25, abs=0.02)
    assert line.seconds(1000.0) == pytest.approx(0.33, abs=0.03)


def test_one_odd_stop_moves_it_by_no_more_than_a_likely_one() -> None:
    line = Overrun()
    for _ in range(6):
        line = line.learn(stop(0.015))
    assert line.learn(stop(1.0)).seconds(100.0) - line.seconds(100.0) < 0.03


def test_a_pump_that_wears_is_followed() -> None:
    line = Overrun()
    for k in range(200):
        line = line.learn(stop(0.015 + 0.00005 * k))
    assert line.seconds(100.0) == pytest.approx((0.015 + 0.00005 * 200) / 0.05, abs=0.03)
