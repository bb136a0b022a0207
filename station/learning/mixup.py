"""Was the listed capacity read in the wrong unit? A decision between seven volume units, with its probability.

Each independent figure x (drained, the shop's own fills, a fill up to the plug) is compared with the fill expected from
the listing: z = ln(x / expected). If the unit A that was typed should have been B, z lies at ln(B/A). Three kinds of
hypothesis share the probability: the right unit, one wrong unit out of six, and something else (a low arrival, a
listing that is merely off), which is broad. So pint for quart is as good as certain, while US quart for litre, 5 %
apart, stays "possible" until several figures agree.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from station.common.digits import number
from station.common.units import parse_volume_l
from station.common.words import _
from station.given.listing import P_WRONG_UNIT, UNITS_L

P_ELSE = 0.03
"""Prior probability (common practice, no source) of something else: a low arrival, a listing that is merely off."""
ELSE_SPREAD = 0.10
"""Standard deviation, logarithmic, of what a figure is off by when the unit is right and something else is not."""
U_FLOOR = 0.01
"""No figure is taken to be nearer to the expected fill than 1 %: vehicles of one type differ by as much."""
NAMED_AT, LIKELY_AT = 0.10, 0.60
CLOSE = 0.10
"""Units closer than this, as ln(B/A), are named but never called likely on one figure alone."""


@dataclass(frozen=True)
class Figure:
    """An independent figure of what the compartment takes, litres. u_l: its standard uncertainty."""

    name: str
    value_l: float
    u_l: float
    said: str = ""
    """What a sentence calls it, where that is not its name."""


@dataclass(frozen=True)
class MixUp:
    """typed should have been meant. probability: posterior under the stated priors. certainty: "likely", "possible"."""

    typed: str
    meant: str
    probability: float
    certainty: str
    listed_l: float
    meant_l: float
    """The listed number read in the other unit."""
    figures: tuple[Figure, ...]

    @property
    def text(self) -> str:
        seen = [f"{f.said or _(f.name)} {number(f.value_l, '.3f')} L" for f in self.figures]
        return _(
            "Listed {amount} {typed} ({listed_l} L); {seen}. {amount} {meant} would be {meant_l} L. Look the capacity and its unit up in the vehicle's service manual before filling."
        ).format(
            amount=number(self.listed_l / UNITS_L[self.typed], ".4g"),
            typed=_(self.typed),
            listed_l=number(self.listed_l, ".3f"),
            seen=", ".join(seen),
            meant=_(self.meant),
            meant_l=number(self.meant_l, ".3f"),
        )


def typed_unit(capacity_text: str, country: str | None = None) -> str | None:
    """The one of the seven units that a capacity was typed in; None for another, such as mL.

    Raises ValueError where the text is no volume.
    """
    parse_volume_l(capacity_text, country)
    unit = capacity_text.strip().lstrip("+-0123456789./eE \t")
    one_l = parse_volume_l(f"1 {unit}", country)
    return next((name for name, litres in UNITS_L.items() if math.isclose(one_l, litres, rel_tol=1e-9)), None)


def in_other_units(capacity_text: str, capacity_l: float, country: str | None = None) -> tuple[str, ...]:
    """A capacity in the units that it may be mistaken for: litres as pints and quarts of the country (those of the US where
    none is set), anything else as litres. Raises ValueError where the text is no volume."""
    units: tuple[str, ...] = ("L",)
    if typed_unit(capacity_text, country) == "L":
        units = ("imperial pint", "imperial quart") if country == "imperial" else ("US pint", "US quart")
    return tuple(f"{number(capacity_l / UNITS_L[unit], '.3g')} {_(unit)}" for unit in units)


def _log_pdf(z: float, at: float, u: float) -> float:
    return -0.5 * ((z - at) / u) ** 2 - math.log(u)


def judge_units(
    typed: str, listed_l: float, expected_l: float, u_expected_l: float, figures: Sequence[Figure]
) -> list[tuple[str, float]]:
    """(unit meant, probability), most probable first, the typed unit among them; they sum to less than one.

    expected_l: the fill that follows from listed_l. Raises ValueError for an unknown unit or volumes not above zero.
    """
    if typed not in UNITS_L:
        raise ValueError(f"unit is {typed!r}, expected one of: {', '.join(UNITS_L)}")
    for name, value in (("listed_l", listed_l), ("expected_l", expected_l)):
        if not (math.isfinite(value) and value > 0):
            raise ValueError(f"{name} is {value}, expected litres above zero")
    seen = [f for f in figures if f.value_l > 0]
    logs = {typed: math.log(1.0 - P_WRONG_UNIT - P_ELSE), "": math.log(P_ELSE)}
    others = [unit for unit in UNITS_L if unit != typed]
    logs |= {unit: math.log(P_WRONG_UNIT / len(others)) for unit in others}
    if seen:
        # All figures meet one expectation and one floor; treated as one weighted mean, not as fresh evidence each.
        u = [max(f.u_l / f.value_l, 1e-6) for f in seen]
        weights = [1.0 / x**2 for x in u]
        total = sum(weights)
        z = sum(w * math.log(f.value_l / expected_l) for w, f in zip(weights, seen, strict=True)) / total
        scatter = max((math.log(f.value_l / expected_l) - z) ** 2 for f in seen)
        s = math.sqrt(1.0 / total + (u_expected_l / expected_l) ** 2 + scatter)
        s = max(s, U_FLOOR / math.sqrt(len(seen)))
        for unit in UNITS_L:
            logs[unit] += _log_pdf(z, math.log(UNITS_L[unit] / UNITS_L[typed]), s)
        logs[""] += _log_pdf(z, 0.0, math.hypot(s, ELSE_SPREAD))
    top = max(logs.values())
    whole = sum(math.exp(value - top) for value in logs.values())
    ranked = [(unit, math.exp(value - top) / whole) for unit, value in logs.items() if unit]
    return sorted(ranked, key=lambda pair: -pair[1])


def find(
    typed: str, listed_l: float, expected_l: float, u_expected_l: float, figures: Sequence[Figure]
) -> MixUp | None:
    """The unit that may have been meant instead of the typed one; None where that is too improbable to name.

    Raises ValueError as ``judge_units`` does.
    """
    # A figure that its own doubt could explain away is no evidence, neither for a mix-up nor against one.
    seen = tuple(f for f in figures if f.value_l > max(0.0, 2.0 * f.u_l))
    if not seen:
        return None
    ranked = judge_units(typed, listed_l, expected_l, u_expected_l, seen)
    meant, probability = next(pair for pair in ranked if pair[0] != typed)
    if probability < NAMED_AT:
        return None
    close = abs(math.log(UNITS_L[meant] / UNITS_L[typed])) < CLOSE and len(seen) < 2
    # That the typed unit is wrong may be certain while two others share what remains: quart and litre do.
    wrong = sum(p for unit, p in ranked if unit != typed)
    certainty = "likely" if wrong >= LIKELY_AT and not close else "possible"
    meant_l = listed_l * UNITS_L[meant] / UNITS_L[typed]
    return MixUp(typed, meant, probability, certainty, listed_l, meant_l, seen)
