from collections.abc import Callable
from fractions import Fraction

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.common import units as u

VOLUME_UNITS = [
    "L", "mL", "cL", "dL", "US pt", "US qt", "US gal", "US fl oz", "imperial pt", "imperial qt", "imperial gal",
    "imperial fl oz", "m³", "in³",
]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "litres"),
    [
        ("2.9 L", 2.9), ("2.9L", 2.9), ("  2.9   litres ", 2.9), ("2900 mL", 2.9), ("2900 ML", 2.9), ("2900 cc", 2.9),
        ("29 dL", 2.9), ("290 cl", 2.9), ("2900 cm³", 2.9), ("0 L", 0.0), (".5 l", 0.5), ("3. L", 3.0), ("+1 L", 1.0),
        ("0.0029 m3", 0.0029 * 1000), ("1/2 L", 0.5), ("2 1/4 L", 2.25),
    ],
)  # fmt: skip
def test_metric_volumes(text: str, litres: float) -> None:
    assert u.parse_volume_l(text) == pytest.approx(litres, rel=1e-15)


@pytest.mark.parametrize(
    "text",
    ["9.7 US pt", "9.7 US pints", "9.7 U.S. pint", "9.7 uspt", "9.7 us liquid pints", "9 7/10 USA pint"],
)
def test_a_unit_that_names_its_country_needs_no_setting(text: str) -> None:
    assert u.parse_volume_l(text) == pytest.approx(9.7 * 0.473176473, rel=1e-15)
    assert u.parse_volume_l(text, "imperial") == u.parse_volume_l(text, "us") == u.parse_volume_l(text)


@pytest.mark.parametrize("text", ["2 imperial quarts", "2 imp qt", "2 Imp. Quart", "2 UK quart", "2 U.K. qt"])
def test_imperial_spellings(text: str) -> None:
    assert u.parse_volume_l(text, "us") == pytest.approx(2.273045, rel=1e-15)


@pytest.mark.parametrize(
    ("unit", "us", "imperial"),
    [
        ("pt", 0.473176473, 0.56826125), ("pints", 0.473176473, 0.56826125), ("qt", 0.946352946, 1.1365225),
        ("quarts", 0.946352946, 1.1365225), ("gal", 3.785411784, 4.54609), ("gallons", 3.785411784, 4.54609),
        ("fl oz", 0.0295735295625, 0.0284130625), ("fluid ounces", 0.0295735295625, 0.0284130625),
    ],
)  # fmt: skip
def test_an_ambiguous_unit_is_read_by_the_country_and_refused_without(
    unit: str, us: float, imperial: float
) -> None:
    assert u.parse_volume_l(f"3 {unit}", "us") == pytest.approx(3 * us, rel=1e-15)
    assert u.parse_volume_l(f"3 {unit}", "imperial") == pytest.approx(3 * imperial, rel=1e-15)
    with pytest.raises(
        ValueError, match=r"may be the US .* \(.* L\) or the imperial .*Write \"US "
    ) as caught:
        u.parse_volume_l(f"3 {unit}")
    assert f"{us:.4f} L" in str(caught.value)
    assert f"{imperial:.4f} L" in str(caught.value)


@pytest.mark.parametrize(
    ("text", "kg"), [("5 kg", 5.0), ("500 g", 0.5), ("11 lb", 11 * 0.45359237), ("8 oz", 0.5 * 0.45359237)]
)
def test_mass(text: str, kg: float) -> None:
    assert u.parse_mass_kg(text) == pytest.approx(kg, rel=1e-15)


@pytest.mark.parametrize(
    ("text", "c"),
    [
        ("20 degC", 20.0), ("20°C", 20.0), ("20 C", 20.0), ("60 °F", 140.0 / 9.0), ("60 degF", 140.0 / 9.0),
        ("-40 F", -40.0), ("293.15 K", 20.0), ("-5 celsius", -5.0),
    ],
)  # fmt: skip
def test_temperature(text: str, c: float) -> None:
    assert u.parse_temperature_c(text) == c


@pytest.mark.parametrize(
    "text", ["30 lbf·ft", "30 ft-lb", "30 ft lbs", "30 lb-ft", "30 foot-pounds", "30 lb.ft"]
)
def test_torque_spellings(text: str) -> None:
    """30 lbf·ft is 40.7 N·m, the lower end of a common cover-bolt torque (common practice, no source)."""
    assert u.parse_torque_nm(text) == pytest.approx(40.675, abs=5e-4)


def test_other_torques() -> None:
    assert u.parse_torque_nm("45 N·m") == u.parse_torque_nm("45 Nm") == u.parse_torque_nm("45 N m") == 45.0
    assert u.parse_torque_nm("360 in-lb") == pytest.approx(u.parse_torque_nm("30 ft-lb"), rel=1e-15)
    assert u.parse_torque_nm("1 kgf·m") == 9.80665
    assert u.parse_torque_nm("100 kgf·cm") == 9.80665


@given(st.floats(1e-6, 4_900.0), st.sampled_from(["N·m", "lbf·ft", "lbf·in", "kgf·m", "kgf·cm"]))
def test_torque_round_trips_exactly(nm: float, unit: str) -> None:
    assert u.parse_torque_nm(u.format_torque(nm, unit)) == nm


def test_text_is_as_short_as_it_can_be_or_rounded() -> None:
    assert u.format_torque(45.0) == "45 N·m"
    assert u.format_torque(9.80665, "kgf·m") == "1 kgf·m"
    assert u.format_torque(40.675, "lbf·ft", 1) == "30.0 lbf·ft"
    assert u.format_torque(0.0, "N·m", 3) == "0.000 N·m"


@pytest.mark.parametrize("litres", [4.795948790570215e-05, 1e-07, 4.440892098500626e-16])
def test_a_small_figure_is_read_back_as_a_machine_writes_it(litres: float) -> None:
    assert "e-" in repr(litres)
    assert u.parse_volume_l(f"{litres!r} L") == litres


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("2.9", "add the unit, such as 2.9 L"),
        (2.9, 'write number and unit as text in quotes, such as "2.9 L"'),
        (None, "write number and unit as text in quotes"),
        ("", "begin with the number, then the unit"),
        ("L", "begin with the number, then the unit"),
        ("nan L", "begin with the number, then the unit"),
        ("inf L", "begin with the number, then the unit"),
        ("-1 L", "volume is '-1 L' = −1 L, outside 0 to 10000 L. Check number and unit"),
        ("-1/2 L", "= −0.5 L, outside 0"),
        ("10001 L", "= 10001 L, outside 0 to 10000"),
        ("2,9 L", "write 2.9 L, with a point"),
        ("1.234.5 L", "write one number, its decimals after a point"),
        ("1 2 L", "write one number, its decimals after a point"),
        ("1e3 L", "the unit 'e3 L' is not known"),
        ("1e-999999999 L", "the unit 'e-999999999 L' is not known"),
        ("1/0 L", "divides by zero"),
        ("3 L + 2 L", "the unit 'L \\+ 2 L' is not known"),
        ("3 foo", "the unit 'foo' is not known here, expected L, mL, US or imperial pt"),
        ("3 us L", "the unit 'us L' is not known"),
        ("3 us", "the unit 'us' is not known"),
        ("3 kg", "the unit 'kg' is not known"),
        ("9" * 200 + " L", "has 202 characters"),
    ],
)
def test_what_is_no_volume_is_refused(text: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        u.parse_volume_l(text)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: u.parse_volume_l("3 qt", "fr"), "country is 'fr', expected 'us' or 'imperial'"),
        (lambda: u.parse_mass_kg("5 L"), "mass is '5 L': the unit 'L' is not known here, expected kg"),
        (lambda: u.parse_mass_kg("-5 kg"), "mass is '-5 kg' = −5 kg, outside 0 to 10000 kg"),
        (lambda: u.parse_temperature_c("20"), "add the unit, such as 20 degC"),
        (
            lambda: u.parse_temperature_c("-300 degC"),
            "temperature is '-300 degC' = −300 °C, outside −90 to 400",
        ),
        (lambda: u.parse_torque_nm("99999 N·m"), "torque is '99999 N·m' = 99999 N·m, outside 0 to 5000"),
        (lambda: u.format_torque(float("nan")), "value is nan, expected a finite number"),
        (lambda: u.format_torque(1.0, "stone"), "the unit 'stone' is not known"),
    ],
)
def test_the_rest_is_refused_as_well(call: Callable[[], object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        call()


def test_every_unit_is_as_in_pints_own_table() -> None:
    whole = pint.UnitRegistry(non_int_type=Fraction).Quantity
    volumes = [*u._VOLUME, *(name for us, imperial, _ in u._BY_COUNTRY.values() for name in (us, imperial))]
    tables = {"litre": volumes, "kilogram": u._MASS, "degC": u._TEMPERATURE, "newton * meter": u._TORQUE}
    for target, names in tables.items():
        for name in names:
            at_0, at_1 = (Fraction(whole(Fraction(n), name).to(target).magnitude) for n in (0, 1))
            assert u._line(name, target) == (at_1 - at_0, at_0), name
