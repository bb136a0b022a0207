"""A vehicle's distance as people type it: kilometres or miles, never bare."""

import re

from station.common import digits
from station.common.words import _

KM_PER_MILE = 1.609344
"""Exact: the international mile."""
MAX_KM = 5_000_000.0
_TEXT = re.compile(
    r"\s*((?:\d{1,3}(?:[ \u00a0\u202f]\d{3})+|\d+)(?:\.\d+)?)\s*(km|kilometres?|kilometers?|mi|miles?)\.?\s*",
    re.IGNORECASE,
)


def parse_distance_km(text: str) -> float:
    """Kilometres in a text such as "76000 mi" or "122 300 km". Raises ValueError without a unit or out of range."""
    match = _TEXT.fullmatch(text)
    if match is None:
        raise ValueError(
            _(
                "distance is {text!r}; write number and unit without other signs, such as 76000 mi or 122300 km."
            ).format(text=text)
        )
    number = float(re.sub(r"\s", "", match[1]))
    km = number * (KM_PER_MILE if match[2].casefold().startswith("m") else 1.0)
    if km > MAX_KM:
        raise ValueError(
            _("distance is {text!r}, expected at most {km} km.").format(
                text=text, km=digits.number(MAX_KM, ",.0f")
            )
        )
    return km


def format_distance(km: float, unit: str = "km") -> str:
    """A distance to the nearest whole unit, "km" or "mi", in groups of three digits that no line breaks."""
    number = f"{km / KM_PER_MILE if unit == 'mi' else km:,.0f}".replace(",", "\u00a0")
    return f"{number}\u00a0{unit}"
