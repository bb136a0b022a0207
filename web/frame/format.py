"""How figures look to people. The only place that turns a number into text for a page."""

import math
from dataclasses import dataclass
from datetime import date, datetime, tzinfo

from station.common import digits, words
from station.common.words import _
from station.given.listing import UNITS_L

UNKNOWN = "–"
TIE = "\u00a0"
"""A space that a line never breaks at."""
LEAST = 0.01
"""Smaller contributions are not worth their digits."""
SMALL_L = 0.1
"""Below this a volume is easier to picture in millilitres."""


@dataclass(frozen=True)
class Shown:
    """A figure in the three parts that a page may set in different sizes."""

    number: str
    doubt: str
    unit: str

    def __str__(self) -> str:
        return " ".join(part for part in (self.number, self.doubt, self.unit) if part)


def sentence(text: str | None) -> str:
    """``full: meter and lip agree`` with its capital and its full stop; empty for none."""
    return f"{text[0].upper()}{text[1:].rstrip('.')}." if text else ""


NOTHING = Shown(UNKNOWN, "", "")


def typed(text: str) -> str:
    """A number in a text as the shop writes it, with a true minus sign: ``2.9 L`` with its comma in German."""
    return text.replace(".", words.spoken().decimal).replace("-", "−")


def listed(text: str) -> str:
    """A volume as it was typed, for reading and not for a form: ``6.2 imperial pint`` with its unit in the shop's language, too."""
    unit = next((name for name in UNITS_L if text.endswith(f" {name}")), None)
    return typed(text) if unit is None else f"{typed(text.removesuffix(unit))}{_(unit)}"


def decimal(value: float, places: int) -> str:
    """A number with a true minus sign and never a minus zero."""
    return digits.number(value, f".{places}f")


def general(value: float, most: int = 6) -> str:
    """A number with so many significant digits at most, and no zero at its end."""
    return digits.number(value, f".{most}g")


def thousands(value: float, places: int = 0) -> str:
    """A number in groups of three."""
    return digits.number(value, f",.{places}f")


def _plain(value: float | None, places: int, unit: str) -> Shown:
    if value is None or not math.isfinite(value):
        return NOTHING
    return Shown(decimal(value, places), "", unit)


def _stated(value_l: float, u95_l: float, per_litre: int, unit: str) -> Shown:
    told = digits.stated(value_l, u95_l, per_litre)
    return Shown(typed(told.value), f"± {typed(told.u95)}", unit)


def litres(value_l: float | None, u95_l: float | None = None) -> Shown:
    """``2.842 ± 0.015 L`` by the rule of station.common.digits, ``2.84 L`` without a doubt. None where unknown."""
    if value_l is None or not math.isfinite(value_l):
        return NOTHING
    if u95_l is None or not math.isfinite(u95_l):
        return Shown(decimal(value_l, 2), "", "L")
    return _stated(value_l, u95_l, 0, "L")


def millilitres(value_l: float | None, u95_l: float | None = None) -> Shown:
    """``40 ± 12 mL`` by the same rule. value_l, u95_l: litres."""
    if value_l is None or not math.isfinite(value_l):
        return NOTHING
    if u95_l is None or not math.isfinite(u95_l):
        return Shown(decimal(value_l * 1000.0, 0), "", "mL")
    return _stated(value_l, u95_l, 3, "mL")


def volume(value_l: float | None, u95_l: float | None = None) -> Shown:
    """Litres, or millilitres where both figures are small. For figures that need not line up with others."""
    if value_l is None or max(abs(value_l), u95_l or 0.0) >= SMALL_L:
        return litres(value_l, u95_l)
    return millilitres(value_l, u95_l)


def leak_rate(rate_l_h: float | None, u95_l_h: float | None) -> Shown:
    """``4 ± 19 mL/h``. rate_l_h, u95_l_h: litres per hour."""
    shown = millilitres(rate_l_h, u95_l_h)
    return Shown(shown.number, shown.doubt, "mL/h") if shown.unit else shown


def flow(flow_l_min: float | None) -> Shown:
    return _plain(flow_l_min, 2, "L/min")


def mass(mass_g: float | None) -> Shown:
    return _plain(mass_g, 0, "g")


def mass_flow(flow_g_s: float | None) -> Shown:
    shown = _plain(flow_g_s, 1, "g/s")
    if flow_g_s is not None and shown is not NOTHING and round(flow_g_s, 1) > 0:
        return Shown(f"+{shown.number}", "", shown.unit)
    return shown


def temperature(temperature_c: float | None) -> Shown:
    return _plain(temperature_c, 1, "°C")


def probability(p: float | None) -> str:
    """As ``station.common.digits`` has it; None where unknown."""
    return UNKNOWN if p is None or not math.isfinite(p) else digits.probability(p)


def share(fraction: float) -> str:
    """Whole percent, and never zero for what is not."""
    text = f"{fraction * 100:.0f}"
    return _("below {amount}").format(amount=f"1{TIE}%") if fraction > 0 and text == "0" else f"{text}{TIE}%"


def significant(value: float) -> str:
    """Two significant digits without an exponent, as uncertainties are stated (GUM 7.2.6)."""
    if not math.isfinite(value):
        return UNKNOWN
    if value == 0:
        return "0"
    if abs(value) < LEAST:
        return _("below {amount}").format(amount=general(LEAST))
    places = max(0, 1 - math.floor(math.log10(abs(value))))
    return decimal(value, places)


def clock(seconds: float) -> str:
    """``12:05`` for a countdown, ``1:02:05`` from an hour on. Rounded up: no timer shows 0:00 while it runs."""
    whole = max(0, math.ceil(seconds - 1e-9))
    hours, rest = divmod(whole, 3600)
    minutes, left = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{left:02d}" if hours else f"{minutes}:{left:02d}"


def waiting(wait_s: float | None) -> str:
    """Whether waiting for the drip still pays."""
    if wait_s is None:
        return ""
    if wait_s <= 0:
        return _("Drip is finished.")
    return _("Worth waiting about {n} min more.").format(n=math.ceil(wait_s / 60))


def moment(utc: str | None, zone: tzinfo | None = None) -> str:
    """A time of the record, in a time zone, which is named; the station's own where none is given."""
    if not utc:
        return UNKNOWN
    when = datetime.fromisoformat(utc).astimezone(zone)
    offset = when.strftime("%z")
    named = "UTC" if offset == "+0000" else f"UTC{offset[:3]}:{offset[3:]}"
    return f"{on(when)} {when:%H:%M} {named}"


def time_of_day(utc: str) -> str:
    """``12:03``, in the station's own time zone: for what happened within this job."""
    return f"{datetime.fromisoformat(utc).astimezone():%H:%M}"


def grams(mass_kg: float, signed: bool = False, places: int = 0) -> str:
    """``48 g``, or ``+48 g`` and ``−48 g``."""
    text = decimal(mass_kg * 1000.0, places)
    return f"{'+' if signed and round(mass_kg * 1000.0, places) > 0 else ''}{text} g"


def percent(value: float, places: int = 1) -> str:
    """``+1.2 %``, for what may lie on either side of zero."""
    text = decimal(value, places)
    plus = "+" if round(value, places) > 0 else ""
    return f"{plus}{text}{TIE}%"


def money(amount: float | None, currency: str) -> str:
    """``131.25 EUR``, with the currency as the shop writes it."""
    return UNKNOWN if amount is None else f"{thousands(amount, 2)} {currency}".strip()


def day(utc: str | None) -> str:
    """The day of a time in the record, in the station's own time zone."""
    return on(datetime.fromisoformat(utc).astimezone()) if utc else UNKNOWN


def on(when: date) -> str:
    """A day as the shop writes it: ``2026-03-09`` in English, which every country reads alike."""
    language = words.spoken().language
    if language == words.SOURCE:
        return f"{when:%Y-%m-%d}"
    from babel.dates import format_date

    return str(format_date(when, "medium", locale=language))


def dated(iso: str) -> str:
    """``on`` of a day that is written as in a file; what is none stays as it is."""
    try:
        return on(date.fromisoformat(iso))
    except ValueError:
        return iso


def month(when: date, short: bool = False) -> str:
    """``March 2026``, or ``Mar 26`` for a picture."""
    language = words.spoken().language
    if language == words.SOURCE:
        return f"{when:%b %y}" if short else f"{when:%B %Y}"
    from babel.dates import format_date

    return str(format_date(when, "LLL yy" if short else "LLLL y", locale=language))


def load(mass_kg: float) -> str:
    """A known mass as it is stamped: ``500 g``, ``2 kg``."""
    return (
        f"{general(mass_kg, 10)} kg"
        if mass_kg == 0 or abs(mass_kg) >= 1
        else f"{general(mass_kg * 1000, 10)} g"
    )
