"""How well a listed capacity is known: its last digit, and where the level is meant to stand."""

import math
import re
from functools import lru_cache

from station.common.units import parse_volume_l


@lru_cache(16)  # asked at every view of a job
def rounding_l(capacity_text: str, capacity_l: float) -> float:
    """Standard uncertainty in litres of a listed capacity from its last digit: half of it either way, rectangular.

    "2.9 L" may be 2.85 to 2.95 L; "9 1/2 US pt" was read to the half pint. A text that is not number and unit tells nothing
    of its digits, and is taken to be good to a tenth of itself.
    """
    text = capacity_text.strip()
    match = re.match(r"\+?(?:(?:\d+\s+)?(\d+)\s*/\s*(\d+)|\d+(?:\.(\d*))?|\.(\d+))\s*(.*)$", text)
    if match is None:
        return 0.05 * capacity_l / math.sqrt(3.0)
    top, bottom, decimals, only, _ = match.groups()
    step = 1.0 / float(bottom) if top else 10.0 ** -len(decimals or only or "")
    number = parse_number(text[: match.start(5)])
    return 0.5 * step * (capacity_l / number) / math.sqrt(3.0) if number > 0 else 0.0


def parse_number(text: str) -> float:
    """ "9 1/2 " → 9.5."""
    return parse_volume_l(f"{text.strip()} L")
