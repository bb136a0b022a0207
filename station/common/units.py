"""Units at the edge: what people type becomes litres, kilograms, °C or N·m, and back.

Numbers and factors are exact fractions until the last step, so a value is rounded once and text written by
`format_*` is read back as the very same float. The factors are exact by definition: US gallon 231 in³, imperial gallon
4.54609 L, pound 0.45359237 kg, standard gravity 9.80665 m/s².

"pt", "qt", "gal" and "fl oz" mean different volumes in different countries. They are read by the shop's
country setting and by nothing else; without one they are refused.
"""

from __future__ import annotations

import re
from decimal import Context, Decimal
from fractions import Fraction
from functools import cache
from itertools import count
from math import isfinite
from typing import Any, Final

from station.common import digits
from station.common.spared import spared
from station.common.words import N_, _

COUNTRIES: Final = ("us", "imperial")

# What people write -> the name pint knows. Spelling is compared in lower case, without dots, with single
# spaces; the words of one row are the same unit.
_VOLUME: Final = {
    "litre": "l liter liters litre litres",
    "decilitre": "dl deciliter deciliters decilitre decilitres",
    "centilitre": "cl centiliter centiliters centilitre centilitres",
    "millilitre": "ml milliliter milliliters millilitre millilitres cc ccm cm3 cm³",
    "meter ** 3": "m3 m³",
    "inch ** 3": "in3 in³ cuin",
}
# The ambiguous: words -> (US unit, imperial unit, what to call it)
_BY_COUNTRY: Final = {
    "pt pint pints liquidpint liquidpints liqpt": ("US_pint", "imperial_pint", "pint"),
    "qt qts quart quarts liquidquart liquidquarts liqqt": ("US_liquid_quart", "imperial_quart", "quart"),
    "gal gals gallon gallons liquidgallon liquidgallons": ("US_liquid_gallon", "imperial_gallon", "gallon"),
    "floz fluidounce fluidounces flounce flounces": ("US_fluid_ounce", "imperial_fluid_ounce", "fluid ounce"),
}
_US_WORDS: Final = ("us", "usa", "american")
_IMPERIAL_WORDS: Final = ("imperial", "imp", "uk")
_MASS: Final = {
    "kilogram": "kg kilo kilos kilogram kilograms kilogramme kilogrammes",
    "gram": "g gram grams gramme grammes",
    "pound": "lb lbs pound pounds",
    "ounce": "oz ounce ounces",
}
_TEMPERATURE: Final = {
    "degC": "degc °c c celsius degcelsius",
    "degF": "degf °f f fahrenheit degfahrenheit",
    "kelvin": "k kelvin",
}
_TORQUE: Final = {
    "newton * meter": "nm newtonmetre newtonmetres newtonmeter newtonmeters",
    "force_pound * foot": "lbfft ftlbf lbft ftlb lbsft ftlbs footpound footpounds poundfoot poundfeet",
    "force_pound * inch": "lbfin inlbf lbin inlb lbsin inlbs inchpound inchpounds poundinch poundinches",
    "kilogram_force * meter": "kgfm kgm",
    "kilogram_force * centimeter": "kgfcm kgcm",
}

# "2.9", "1/2" or "9 1/2", then the unit. Nobody types exponents, and 1e-999999999 is a trap; but a small float is written with
# one of two digits, such as 4.8e-05.
_QUANTITY: Final = re.compile(
    r"\s*(?P<sign>[+-]?)"
    r"(?:(?:(?P<whole>\d+)\s+)?(?P<top>\d+)\s*/\s*(?P<bottom>\d+)|(?P<decimal>(?:\d+(?:\.\d*)?|\.\d+)(?:e-\d\d(?!\d))?))"
    r"\s*(?P<unit>.*?)\s*",
    re.DOTALL,
)
# Of pint's own table only these, and as they stand there: reading all of it is a sixth of the station's start.
_DEFINITIONS: Final = """
milli- = 1e-3
centi- = 1e-2
deci- = 1e-1
kilo- = 1e3
meter = [length]
second = [time]
gram = [mass]
kelvin = [temperature]; offset: 0
degC = kelvin; offset: 273.15
degF = 5 / 9 * kelvin; offset: 233.15 + 200 / 9
litre = 1e-3 * meter ** 3
inch = 0.0254 * meter
foot = 12 * inch
pound = 0.45359237 * kilogram
ounce = pound / 16
newton = kilogram * meter / second ** 2
kilogram_force = 9.80665 * newton
force_pound = 0.45359237 * kilogram_force
US_liquid_gallon = 231 * inch ** 3
US_liquid_quart = US_liquid_gallon / 4
US_pint = US_liquid_gallon / 8
US_fluid_ounce = US_liquid_gallon / 128
imperial_gallon = 4.54609 * litre
imperial_quart = imperial_gallon / 4
imperial_pint = imperial_gallon / 8
imperial_fluid_ounce = imperial_gallon / 160
"""
_FIRST_UNIT: Final = {"volume": "L", "mass": "kg", "temperature": "degC", "torque": "N·m"}
_LONGEST: Final = 100  # characters; a longer text is no quantity


def parse_volume_l(text: str, country: str | None = None) -> float:
    """Litres in a text such as "2.9 L", "9 1/2 US pt" or "3 qt"; 0 to 10,000 L.

    country: "us" or "imperial" decides a bare pint, quart, gallon or fluid ounce; None refuses them.
    Raises ValueError for a missing, unknown or ambiguous unit, and for a value outside the range.
    """
    number, unit = _split(text, N_("volume"), '"2.9 L" or "6 US pt"')
    return _convert(number, _volume_unit(unit, country, text), "litre", "volume", text, 0.0, 10_000.0, "L")


def parse_mass_kg(text: str) -> float:
    """Kilograms in a text such as "5 kg", "500 g" or "11 lb"; 0 to 10,000 kg. Raises ValueError."""
    number, unit = _split(text, N_("mass"), '"5 kg" or "500 g"')
    name = _lookup(_MASS, unit, "mass", text, "kg, g, lb or oz")
    return _convert(number, name, "kilogram", "mass", text, 0.0, 10_000.0, "kg")


def parse_temperature_c(text: str) -> float:
    """°C in a text such as "20 degC", "60 °F" or "293.15 K"; -90 °C to 400 °C. Raises ValueError."""
    number, unit = _split(text, N_("temperature"), '"20 degC" or "60 degF"')
    name = _lookup(_TEMPERATURE, unit, "temperature", text, "degC, degF or K")
    return _convert(number, name, "degC", "temperature", text, -90.0, 400.0, "°C")


def parse_torque_nm(text: str) -> float:
    """N·m in a text such as "45 N·m" or "33 lbf·ft"; 0 to 5,000 N·m. Raises ValueError."""
    number, unit = _split(text, N_("torque"), '"45 N·m" or "33 lbf·ft"')
    name = _lookup(_TORQUE, unit, "torque", text, "N·m, lbf·ft, lbf·in or kgf·m")
    return _convert(number, name, "newton * meter", "torque", text, 0.0, 5_000.0, "N·m")


def format_torque(torque_nm: float, unit: str = "N·m", decimals: int | None = None) -> str:
    """A torque in N·m, lbf·ft, lbf·in or kgf·m; decimals None is read back as the same float."""
    name = _lookup(_TORQUE, unit, "torque", unit, "N·m, lbf·ft, lbf·in or kgf·m")
    return _format(torque_nm, "newton * meter", name, unit, decimals)


@cache
def _registry() -> Any:
    """pint with exact fractions, built on first use."""
    with spared("babel", "scipy"):  # with which it would spell units and convert arrays
        import pint

    return pint.UnitRegistry(_DEFINITIONS.split("\n"), non_int_type=Fraction)


@cache
def _line(source: str, target: str) -> tuple[Fraction, Fraction]:
    """(factor, offset) with target = factor x source + offset, exactly."""
    if source == target:  # spares the page's plain litres the import of pint
        return Fraction(1), Fraction(0)
    quantity = _registry().Quantity
    at_0 = Fraction(quantity(Fraction(0), source).to(target).magnitude)
    at_1 = Fraction(quantity(Fraction(1), source).to(target).magnitude)
    return at_1 - at_0, at_0


def _split(text: str, what: str, example: str) -> tuple[Fraction, str]:
    if not isinstance(text, str):
        raise ValueError(
            _("write number and unit as text in quotes, such as {example}").format(example=example)
        )
    if len(text) > _LONGEST:
        raise ValueError(
            _("{what} has {n} characters; write only a number and a unit, such as {example}").format(
                what=_(what), n=len(text), example=example
            )
        )
    match = _QUANTITY.fullmatch(text)
    if match is None:
        raise ValueError(_("begin with the number, then the unit, such as {example}").format(example=example))
    unit = match["unit"]
    if not unit:
        raise ValueError(
            _("add the unit, such as {example}").format(example=f"{text.strip()} {_FIRST_UNIT[what]}")
        )
    if unit[0] in ",.'/+-" or unit[0].isdigit():
        comma = re.fullmatch(r"\s*(\d+),(\d+)\s*(\D*?)\s*", text)
        if comma is not None:
            raise ValueError(
                _("write {text}, with a point").format(text=f"{comma[1]}.{comma[2]} {comma[3]}".rstrip())
            )
        raise ValueError(
            _(
                "write one number, its decimals after a point and nothing between thousands, such as {example}"
            ).format(example=example)
        )
    if match["decimal"] is not None:
        number = Fraction(match["decimal"])
    elif int(match["bottom"]) == 0:
        raise ValueError(
            _("{what} is {text!r}, a fraction that divides by zero. Correct it.").format(
                what=_(what), text=text
            )
        )
    else:
        number = int(match["whole"] or 0) + Fraction(int(match["top"]), int(match["bottom"]))
    return (-number if match["sign"] == "-" else number), unit


def _key(unit: str) -> str:
    return re.sub(r"[\s.·⋅*_-]+", "", unit.casefold())


def _lookup(table: dict[str, str], unit: str, what: str, text: str, expected: str) -> str:
    key = _key(unit)
    for name, words in table.items():
        if key in words.split():
            return name
    raise ValueError(
        _("{what} is {text!r}: the unit {unit!r} is not known here, expected {expected}.").format(
            what=_(what), text=text, unit=unit, expected=expected
        )
    )


def _volume_unit(unit: str, country: str | None, text: str) -> str:
    if country is not None and country not in COUNTRIES:
        raise ValueError(f"country is {country!r}, expected 'us' or 'imperial' (or none).")
    key, named = _key(unit), None
    for setting, words in zip(COUNTRIES, (_US_WORDS, _IMPERIAL_WORDS), strict=True):
        for word in sorted(words, key=len, reverse=True):
            if named is None and key.startswith(word) and key != word:
                key, named = key.removeprefix(word), setting
    for spellings, (us, imperial, singular) in _BY_COUNTRY.items():
        if key in spellings.split():
            chosen = named or country
            if chosen is None:
                raise ValueError(
                    _(
                        'volume is {text!r}: {unit!r} may be the US {singular} ({us_l} L) or the imperial {singular} ({imperial_l} L). Write "US {singular}" or "imperial {singular}", or set the shop\'s country.'
                    ).format(
                        text=text,
                        unit=unit,
                        singular=singular,
                        us_l=_litres(us),
                        imperial_l=_litres(imperial),
                    )
                )
            return us if chosen == "us" else imperial
    if named is not None:
        raise ValueError(
            _("volume is {text!r}: the unit {unit!r} is not known, expected L, mL, US pt, imp pt ...").format(
                text=text, unit=unit
            )
        )
    return _lookup(_VOLUME, unit, "volume", text, _("L, mL, US or imperial pt, qt, gal, fl oz"))


def _litres(unit: str) -> str:
    return digits.number(float(_line(unit, "litre")[0]), ".4f")


def _convert(
    number: Fraction, source: str, target: str, what: str, text: str, low: float, high: float, shown: str
) -> float:
    factor, offset = _line(source, target)
    value = float(number * factor + offset)
    if not low <= value <= high:
        raise ValueError(
            _(
                "{what} is {text!r} = {value} {shown}, outside {low} to {high} {shown}. Check number and unit."
            ).format(
                what=_(what),
                text=text,
                value=digits.number(value, ".6g"),
                shown=shown,
                low=digits.number(low, "g"),
                high=digits.number(high, "g"),
            )
        )
    return value


def _format(value: float, source: str, target: str, unit: str, decimals: int | None) -> str:
    if not isfinite(value):
        raise ValueError(f"value is {value!r}, expected a finite number.")
    factor, offset = _line(source, target)
    exact = Fraction(value) * factor + offset
    if decimals is not None:
        return f"{float(exact):.{decimals}f} {unit}"
    back, shift = _line(target, source)
    # The shortest text that the parser reads back as the same float: about 17 digits always are enough.
    return next(
        f"{text} {unit}"
        for text in (_significant(exact, digits) for digits in count(1))
        if float(Fraction(text) * back + shift) == value
    )


def _significant(exact: Fraction, digits: int) -> str:
    context = Context(prec=digits)
    rounded = context.divide(Decimal(exact.numerator), Decimal(exact.denominator))
    return format(rounded.normalize(context), "f")
