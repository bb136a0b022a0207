"""Figures as text. The expected texts are ours; that an uncertainty is stated to one or two digits is GUM 7.2.6."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from web.frame import format as fmt


@pytest.mark.parametrize(
    ("value_l", "u95_l", "text"),
    [
        (2.84, 0.02, "2.840 ± 0.020 L"),
        (2.8449, 0.0151, "2.845 ± 0.016 L"),
        (12.0, 0.1, "12.00 ± 0.10 L"),
        (2.84, None, "2.84 L"),
        (0.0, 0.012, "0.000 ± 0.012 L"),
        (-0.0004, 0.012, "0.000 ± 0.012 L"),
        (-0.016, 0.012, "−0.016 ± 0.012 L"),
        (None, 0.02, "–"),
        (float("nan"), 0.02, "–"),
        (2.84, float("inf"), "2.84 L"),
    ],
)
def test_litres_carry_the_digits_that_their_doubt_allows(value_l: float, u95_l: float, text: str) -> None:
    assert str(fmt.litres(value_l, u95_l)) == text


def test_a_doubt_is_never_rounded_away_to_zero() -> None:
    assert str(fmt.litres(2.84, 0.0004)) == "2.840 ± 0.001 L"
    assert str(fmt.millilitres(0.018, 0.0001)) == "18 ± 1 mL"


@pytest.mark.parametrize(
    ("value_l", "u95_l", "text"),
    [
        (0.041, 0.012, "41 ± 12 mL"),
        (0.0, 0.004, "0 ± 4 mL"),
        (0.0999, 0.001, "100 ± 1 mL"),
        (0.1, 0.01, "0.100 ± 0.010 L"),
        (0.05, 0.2, "0.05 ± 0.20 L"),
        (None, None, "–"),
    ],
)
def test_small_volumes_are_told_in_millilitres(value_l: float, u95_l: float, text: str) -> None:
    assert str(fmt.volume(value_l, u95_l)) == text


@given(st.floats(-1000, 1000), st.floats(0, 10))
def test_a_printed_litre_figure_reads_back_within_its_last_digit(value_l: float, u95_l: float) -> None:
    shown = fmt.litres(value_l, u95_l)
    doubt_l = float(shown.doubt.removeprefix("± "))
    assert abs(float(shown.number.replace("−", "-")) - value_l) <= 0.5 * doubt_l + 1e-9
    assert doubt_l >= max(0.001, u95_l - 1.1e-9)
    assert not shown.number.startswith("−0.000")


@pytest.mark.parametrize(
    ("p", "text"),
    [
        (0.0, "below 1 %"),
        (0.004, "below 1 %"),
        (0.005, "below 1 %"),
        (0.05, "5 %"),
        (0.95, "95 %"),
        (0.9949, "99 %"),
        (1.0, "above 99 %"),
    ],
)
def test_probabilities_never_claim_certainty(p: float, text: str) -> None:
    assert fmt.probability(p).replace(fmt.TIE, " ") == text


@pytest.mark.parametrize(
    ("fraction", "text"),
    [(0.0, "0 %"), (1e-9, "below 1 %"), (0.005, "below 1 %"), (0.0051, "1 %"), (0.5, "50 %"), (1.0, "100 %")],
)
def test_a_share_that_is_not_zero_never_reads_zero(fraction: float, text: str) -> None:
    assert fmt.share(fraction).replace(fmt.TIE, " ") == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0.0, "0:00"), (0.2, "0:01"), (59.0, "0:59"), (844.2, "14:05"), (3600.0, "1:00:00"), (-3.0, "0:00")],
)
def test_countdown_shows_zero_only_when_it_has_run_out(seconds: float, text: str) -> None:
    assert fmt.clock(seconds) == text


@pytest.mark.parametrize(
    ("wait_s", "text"),
    [
        (None, ""),
        (0.0, "Drip is finished."),
        (20.0, "Worth waiting about 1 min more."),
        (190.0, "Worth waiting about 4 min more."),
    ],
)
def test_waiting_is_told_in_whole_minutes(wait_s: float, text: str) -> None:
    assert fmt.waiting(wait_s) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [(2.44, "2.4"), (0.537, "0.54"), (11.2, "11"), (0.0, "0"), (0.00018, "below 0.01"), (1234.0, "1234")],
)
def test_uncertainties_have_two_significant_digits(value: float, text: str) -> None:
    assert fmt.significant(value) == text


@pytest.mark.parametrize(
    ("flow", "text"), [(14.23, "+14.2 g/s"), (-0.31, "−0.3 g/s"), (0.01, "0.0 g/s"), (None, "–")]
)
def test_pan_flow_shows_its_direction(flow: float, text: str) -> None:
    assert str(fmt.mass_flow(flow)) == text


def test_moments_name_their_zone() -> None:
    assert fmt.moment("2026-11-25T09:15:00+00:00")[-3:] == "UTC" or "UTC" in fmt.moment(
        "2026-11-25T09:15:00+00:00"
    )
    assert fmt.moment(None) == "–"
