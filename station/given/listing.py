"""How well a listed capacity is known: its last digit, and where the level is meant to stand."""

import math
import re
from functools import lru_cache

from station.common.units import parse_volume_l
from station.common.words import N_

UNITS_L: dict[str, float] = {
    "L": 1.0,
    N_("US pint"): 0.473176473,
    N_("US quart"): 0.946352946,
    N_("US gallon"): 3.785411784,
    N_("imperial pint"): 0.56826125,
    N_("imperial quart"): 1.1365225,
    N_("imperial gallon"): 4.54609,
}
"""Litres, exact: the US gallon is 231 in³, the imperial gallon 4.54609 L (NIST Handbook 44, appendix C)."""
P_WRONG_UNIT = 0.03
"""Prior probability (common practice, no source): three listings in a hundred are in the wrong unit."""
_NUMBER = re.compile(r"\+?(?:(?:\d+\s+)?(\d+)\s*/\s*(\d+)|\d+(?:\.(\d*))?|\.(\d+))\s*(.*)$")


@lru_cache(16)  # asked at every view of a job
def rounding_l(capacity_text: str, capacity_l: float) -> float:
    """Standard uncertainty in litres of a listed capacity from its last digit: half of it either way, rectangular.

    "2.9 L" may be 2.85 to 2.95 L; "9 1/2 US pt" was read to the half pint. A text that is not number and unit tells nothing
    of its digits, and is taken to be good to a tenth of itself.
    """
    text = capacity_text.strip()
    match = _NUMBER.match(text)
    if match is None:
        return 0.05 * capacity_l / math.sqrt(3.0)
    top, bottom, decimals, only, _ = match.groups()
    step = 1.0 / float(bottom) if top else 10.0 ** -len(decimals or only or "")
    number = parse_number(text[: match.start(5)])
    return 0.5 * step * (capacity_l / number) / math.sqrt(3.0) if number > 0 else 0.0


@lru_cache(16)
def other_units(capacity_text: str, capacity_l: float) -> tuple[float, ...]:
    """What the other units of the seven are of the one that a capacity was typed in; empty where it is in none of them."""
    match = _NUMBER.match(capacity_text.strip())
    number = 0.0 if match is None else parse_number(capacity_text.strip()[: match.start(5)])
    typed_l = capacity_l / number if number > 0 else 0.0
    others = [litres / typed_l for litres in UNITS_L.values() if typed_l > 0]
    rest = tuple(times for times in others if not math.isclose(times, 1.0, rel_tol=1e-6))
    return rest if len(rest) < len(others) else ()


def parse_number(text: str) -> float:
    """ "9 1/2 " → 9.5."""
    return parse_volume_l(f"{text.strip()} L")
