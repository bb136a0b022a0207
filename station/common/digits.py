"""How many digits a volume and its U95 are printed with: one rule for what a person reads, page, sheet, text and CSV.

JSON is for programs and follows none: it carries each number as it was computed, to the last digit that a float has. (The
points of a curve are a picture: whole milliseconds, 0.01 mL and 0.01 g. Sums over many bays are of whole microlitres.)

U95 is rounded up, so that no printed interval is narrower than the computed one: to the millilitre below 100 mL, to two
significant digits from there on. The figure is rounded to the same place. Source: JCGM 100:2008, 7.2.6.
"""

import math
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Decimal

from station.common.words import _, spoken

FINEST = -3
"""Place of the millilitre in litres, as a power of ten: no station here measures finer."""
NOISE = Decimal("1e-9")
"""Below this a digit comes from arithmetic in binary and not from a measurement."""


@dataclass(frozen=True)
class Stated:
    """A figure and its U95 as texts of the same number of decimals, without a unit. u95 is empty where it is unknown."""

    value: str
    u95: str


def place(u95_l: float) -> int:
    """The power of ten that a U95 in litres is stated to. Raises ValueError for one that is not finite or below zero."""
    if not (math.isfinite(u95_l) and u95_l >= 0):
        raise ValueError(f"U95 is {u95_l!r} L, expected a finite number of zero or more.")
    if u95_l <= 0.0990:
        return FINEST
    exponent = _up(u95_l, FINEST).adjusted() - 1
    # 0.0995 becomes 0.10 and 0.996 becomes 1.0: rounding up may reach the next power.
    return max(FINEST, _up(u95_l, exponent).adjusted() - 1)


def _up(u95_l: float, to: int) -> Decimal:
    """Rounded up to a place, what lies below NOISE forgiven; never to zero."""
    step = Decimal(1).scaleb(to)
    whole = ((Decimal(repr(u95_l)) - NOISE) / step).to_integral_value(ROUND_CEILING)
    return max(Decimal(1), whole) * step


def _text(value: Decimal, to: int) -> str:
    text = f"{value:.{max(0, -to)}f}"
    return text.lstrip("-") if not value else text


def stated(value_l: float, u95_l: float | None, per_litre: int = 0) -> Stated:
    """``2.802`` and ``0.007`` for 2.80213 L with a U95 of 6.3 mL.

    per_litre: power of ten of the unit it is printed in, 3 for millilitres. Without a U95 the figure is printed to the
    millilitre. Raises ValueError for a figure that is not finite, and as ``place`` does.
    """
    if not math.isfinite(value_l):
        raise ValueError(f"figure is {value_l!r} L, expected a finite number.")
    to = FINEST if u95_l is None else place(u95_l)
    step = Decimal(1).scaleb(to)
    figure = (Decimal(repr(value_l)) / step).to_integral_value(ROUND_HALF_EVEN) * step
    doubt = "" if u95_l is None else _text(_up(u95_l, to).scaleb(per_litre), to + per_litre)
    return Stated(_text(figure.scaleb(per_litre), to + per_litre), doubt)


def number(value: float, spec: str) -> str:
    """A number inside a sentence: ``format(value, spec)`` with the signs of the shop's language, and never a minus zero."""
    text = format(value, spec)
    return local(text if text.strip("-+0.,%") else text.lstrip("-+"))


def local(text: str) -> str:
    """A number's text, ``-1,234.5``, with a true minus sign and the shop's between whole and parts and between thousands."""
    signs = spoken()
    return text.translate({ord("."): signs.decimal, ord(","): signs.group, ord("-"): "−"})


def off_by(share_rel: float) -> str:
    """``1.8 % less`` or ``1.8 % more``, than something, to 0.1 %. share_rel: one over the other, less one."""
    percent = number(abs(share_rel) * 100.0, ".1f")
    if not percent.strip("0.,"):
        percent = _("under {percent}").format(percent=number(0.1, ".1f"))
    return (_("{percent} % less") if share_rel < 0 else _("{percent} % more")).format(percent=percent)


def probability(p: float) -> str:
    """``97 %``; the ends stay open, since no measurement is certain."""
    if p <= 0.005:
        return _("below {amount}").format(amount="1\u00a0%")
    if p >= 0.995:
        return _("above {amount}").format(amount="99\u00a0%")
    return f"{p * 100:.0f}\u00a0%"


def litres(value_l: float, u95_l: float | None) -> str:
    """``2.802 ± 0.007 L`` inside a sentence, ``2.80 L`` without a U95."""
    if u95_l is None:
        return f"{number(value_l, '.2f')} L"
    told = stated(value_l, u95_l)
    return f"{local(told.value)} ± {local(told.u95)} L"
