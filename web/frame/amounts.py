"""What a person types with a unit → a number. Parsed here once; from here on it is a number with its unit in its name.

A person writes numbers as the shop does: where its language puts a comma before the decimals, ``2,9 L`` is read so, and
``1.234 L``, which some would take for a thousand, is asked back. Files and the record write a point in every language.
"""

import math
import re

from station.common import words
from station.common.units import parse_mass_kg, parse_volume_l
from station.common.words import _
from station.errors import InputError
from web.frame.format import decimal

_GROUPED = re.compile(r"(?<![\d.,])[1-9]\d{0,2}(?:\.\d{3})+(?![\d.,])")
_BOTH = re.compile(r"\d\.\d+,\d")
_COMMA = re.compile(r"(?<=\d),(?=\d)")


def plain(name: str, text: str) -> str:
    """What was typed, with a point before its decimals: ``2,9 L`` → ``2.9 L`` where the language writes a comma.

    Raises InputError where a number could be two: ``1.234 L`` or ``1.234,5 L``.
    """
    if words.spoken().decimal != ",":
        return text
    if found := _BOTH.search(text) or _GROUPED.search(text):
        start = re.search(r"\S*\d\S*", text[max(0, found.start()) :])
        number = start[0] if start else found[0]
        raise InputError(
            _(
                "{name}: {number} can be read as two numbers. Write {comma} with a comma before the decimals, or {none} without a point for thousands."
            ).format(
                name=name,
                number=number,
                comma=number.replace(",", "").replace(".", ",", 1),
                none=number.replace(".", ""),
            )
        )
    return _COMMA.sub(".", text)


def mass_kg(name: str, text: str) -> float:
    """``"500 g"`` → 0.5. Raises InputError naming the field, the value and what is expected."""
    try:
        return parse_mass_kg(plain(name, text))
    except InputError:
        raise
    except ValueError as error:
        raise InputError(f"{name}: {error}") from error


def volume_l(name: str, text: str, country: str | None = None) -> float:
    """``"2 US quart"`` → 1.893. country: "us" or "imperial" for a bare pint. Raises InputError as ``mass_kg``."""
    try:
        return parse_volume_l(plain(name, text), country)
    except InputError:
        raise
    except ValueError as error:
        raise InputError(f"{name}: {error}") from error


def celsius(name: str, text: str, low_c: float, high_c: float) -> float:
    """``"21.5"`` → 21.5, in °C. Raises InputError for what is no number and for one that is out of the range."""
    try:
        value = float(plain(name, text).strip().replace("−", "-").replace(",", "."))
    except InputError:
        raise
    except ValueError:
        value = math.nan
    if not low_c <= value <= high_c:
        raise InputError(
            _("{name}: {text!r}; expected °C from {low} to {high}, such as {example}.").format(
                name=name,
                text=text,
                low=decimal(low_c, 0),
                high=decimal(high_c, 0),
                example=f"21{words.spoken().decimal}5",
            )
        )
    return value
