"""Drawings: true to the volumes, and spread out where it matters."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.web.fake_views import JOB, view_of
from web.live import gauge


@given(
    st.floats(0.2, 60.0), st.floats(0.001, 2.0), st.floats(0.001, 2.0), st.floats(-5, 80), st.floats(-5, 80)
)
def test_more_fluid_never_stands_lower(
    expected: float, minus: float, plus: float, one: float, other: float
) -> None:
    flask = gauge.Flask(expected, minus, plus, expected)
    low, high = sorted((one, other))
    assert gauge.TOP <= flask.y(high) <= flask.y(low) <= gauge.BOTTOM


def test_the_neck_spreads_the_tolerance_out() -> None:
    flask = gauge.Flask(2.87, 0.1, 0.1, 2.87)
    in_neck = flask.y(2.77) - flask.y(2.97)
    in_body = flask.y(1.00) - flask.y(1.20)
    assert in_neck > 5 * in_body
    assert in_neck > 0.3 * (gauge.NECK_BASE - gauge.TOP)


def test_fill_tolerance_and_doubt_stand_in_the_right_order() -> None:
    closed = view_of("closed")
    drawn = gauge.flask(JOB, closed.figures, closed.target_l)

    def at(shape: str, side: str) -> float:
        return float(drawn[shape][side])

    surface = at("surface", "y1")
    assert at("upper", "y1") < at("target", "y1") < at("lower", "y1")
    assert at("upper", "y1") < surface < at("lower", "y1")
    assert at("doubt", "y") < surface < at("doubt", "y") + at("doubt", "height")
    assert at("fluid", "y") + at("fluid", "height") == gauge.BOTTOM


@pytest.mark.parametrize("filled_l", [None, 0.0, 2.871, 40.0])
def test_an_empty_and_an_overfull_flask_stay_in_the_drawing(filled_l: float | None) -> None:
    fill = view_of("fill", filled_l=filled_l, filled_u95_l=None)
    drawn = gauge.flask(JOB, fill.figures, fill.target_l)
    assert gauge.TOP <= float(drawn["surface"]["y1"]) <= gauge.BOTTOM
    assert float(drawn["fluid"]["height"]) >= 0


def _percent(drawn: dict[str, Any], shape: str, name: str) -> float:
    return float(drawn[shape][name].removesuffix("%"))


def test_what_is_to_come_begins_where_the_drained_ends() -> None:
    drawn = gauge.drain(JOB, view_of("drip").figures)
    assert drawn["ahead"]["x"] == drawn["drained"]["width"]
    reaches = _percent(drawn, "ahead", "x") + _percent(drawn, "ahead", "width")
    assert _percent(drawn, "ahead_doubt", "x1") < reaches < _percent(drawn, "ahead_doubt", "x2")
    assert reaches < _percent(drawn, "listed", "x1") < 100


@pytest.mark.parametrize("drained_l", [None, 0.0, -0.01, 1.0, 2.9, 9.0])
def test_the_drain_bar_holds_any_figure(drained_l: float | None) -> None:
    drawn = gauge.drain(JOB, view_of("drain", drained_l=drained_l).figures)
    assert 0 <= _percent(drawn, "drained", "width") <= 100


def test_a_timer_fills_as_it_runs() -> None:
    assert gauge.timer(1200, 1200)["timer"]["width"] == "0.0%"
    assert gauge.timer(300, 1200)["timer"]["width"] == "75.0%"
    assert gauge.timer(0, 0)["timer"]["width"] == "100.0%"
