"""The rule of the digits. JCGM 100:2008, 7.2.6: an uncertainty to two digits at most, rounded up where that matters, the
figure to the same place."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.common.digits import Stated, number, off_by, place, stated


@pytest.mark.parametrize(
    ("value_l", "u95_l", "value", "u95"),
    [
        (2.80213, 0.0063, "2.802", "0.007"),
        (2.80213, 0.0070, "2.802", "0.007"),
        (2.80213, 0.00701, "2.802", "0.008"),
        (2.80213, 0.0, "2.802", "0.001"),
        (2.80213, 0.0004, "2.802", "0.001"),
        (2.80213, 0.0871, "2.802", "0.088"),
        (2.80213, 0.099, "2.802", "0.099"),
        (2.80213, 0.0991, "2.80", "0.10"),
        (2.80213, 0.1, "2.80", "0.10"),
        (2.80213, 0.1301, "2.80", "0.14"),
        (2.80213, 0.991, "2.8", "1.0"),
        (28.0213, 1.31, "28.0", "1.4"),
        (1091.64, 136.2, "1090", "140"),
        (-0.0004, 0.012, "0.000", "0.012"),
        (-0.016, 0.012, "-0.016", "0.012"),
        (2.80213, None, "2.802", ""),
    ],
)
def test_figure_and_doubt_share_their_last_digit(
    value_l: float, u95_l: float | None, value: str, u95: str
) -> None:
    assert stated(value_l, u95_l) == Stated(value, u95)


def test_millilitres_follow_the_same_rule() -> None:
    assert stated(0.0412, 0.0113, 3) == Stated("41", "12")
    assert stated(0.0412, 0.1301, 3) == Stated("40", "140")
    assert stated(0.0412, None, 3) == Stated("41", "")


@given(st.floats(-2000, 2000), st.floats(0, 500))
def test_a_printed_doubt_is_never_smaller_than_the_computed_one(value_l: float, u95_l: float) -> None:
    told = stated(value_l, u95_l)
    assert float(told.u95) >= u95_l - 1.1e-9
    assert float(told.u95) <= max(0.001, u95_l * 1.11 + 0.001)
    assert abs(float(told.value) - value_l) <= 0.5 * 10.0 ** place(u95_l) + 1e-9
    assert len(told.value.partition(".")[2]) == len(told.u95.partition(".")[2])


@pytest.mark.parametrize(("value_l", "u95_l"), [(float("nan"), 0.1), (1.0, float("inf")), (1.0, -0.1)])
def test_what_is_no_figure_is_refused(value_l: float, u95_l: float) -> None:
    with pytest.raises(ValueError, match="expected a finite number"):
        stated(value_l, u95_l)


@pytest.mark.parametrize(
    ("value", "spec", "told"),
    [
        (-1.75, ".1f", "−1.8"),
        (-0.04, ".1f", "0.0"),
        (-0.04, "+.1f", "0.0"),
        (1.75, "+.1f", "+1.8"),
        (-1e-5, "g", "−1e−05"),
        (-1234.0, ",.0f", "−1,234"),
    ],
)
def test_a_number_in_a_sentence_has_a_true_minus_sign_and_no_minus_zero(
    value: float, spec: str, told: str
) -> None:
    assert number(value, spec) == told


def test_a_share_says_more_or_less_in_words() -> None:
    told = [off_by(one) for one in (-0.0177, 0.004, -0.0001, 0.0)]
    assert told == ["1.8 % less", "0.4 % more", "under 0.1 % less", "under 0.1 % more"]
