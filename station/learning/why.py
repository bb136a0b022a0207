"""Why is it not as expected? Likely causes, ranked, each with the numbers behind it.

The weight says how well the numbers fit a cause, from 0 to 1. For a unit mix-up it is a probability under the priors of
station.learning.mixup; the others are the normal probability that the discrepancy behind them is real, times how well it
explains what is missing. A cause is a place to look, never a finding about a person.
"""

import math
from dataclasses import dataclass
from datetime import UTC, tzinfo

from calibration.budget import expanded
from station.common.days import day_of
from station.common.digits import number, off_by
from station.common.distance import format_distance
from station.common.sentences import listed
from station.common.words import N_, _, ngettext
from station.given.evidence import UNKNOWN_METER, MeterRecord
from station.learning import mixup
from station.learning.cause import NAMED_AT, Cause, cause_of, fits, real
from station.learning.condition import Condition
from station.learning.expected import Expected
from station.learning.mixup import Figure

MIN_HISTORY = 3
"""Fewer jobs than this are no history."""
EARLY_CHANGE = 0.5
"""Fluid changed within this share of its interval should not look worn out (common practice, no source)."""


@dataclass(frozen=True)
class Previous:
    """What the record says of the compartment's last job. distance_km: driven since; None if unknown."""

    utc: str
    verdict: str
    filled_l: float | None
    u_filled_l: float
    expected_l: float
    distance_km: float | None = None


@dataclass(frozen=True)
class Facts:
    """What is known of a job, before, during or after its fill; None or empty where it is not known.

    Volumes are litres at one reference temperature, u_… standard uncertainties.
    """

    capacity_text: str
    listed_l: float
    expected_l: float
    u_expected_l: float
    tolerance_minus_l: float
    tolerance_plus_l: float
    country: str | None = None
    zone: tzinfo = UTC
    """Whose days a date in a text is one of."""
    drained_l: float | None = None
    u_drained_l: float = 0.0
    still_to_come_l: float = 0.0
    metered_l: float | None = None
    overflow_l: float | None = None
    u_overflow_l: float = 0.0
    filled_l: float | None = None
    u_filled_l: float = 0.0
    level_seen: bool = False
    stands_level: bool | None = None
    """Whether a spirit level on the housing said so; None where the record does not tell."""
    notice_kinds: frozenset[str] = frozenset()
    shop: Expected | None = None
    """What the shop's own jobs say of this type."""
    previous: Previous | None = None
    condition: Condition | None = None
    interval_km: float | None = None
    meter: MeterRecord = UNKNOWN_METER
    """What the fills before this one say of the meter."""
    top_ups: int = 0
    topped_l: float = 0.0
    """Runs of the pump that were asked for beyond the target, a proof at the lip apart, and what was metered beyond it."""
    meter_due: str = ""
    """Why the meter is due for proving, in words; empty when it is not."""


def causes(facts: Facts) -> list[Cause]:
    """Causes worth looking at, the best fitting first; empty when nothing is out of the ordinary."""
    mixed = unit_mixup(facts)
    topped = _topped_up(facts)
    found = [mixed, topped, _air(facts), _meter(facts), _never_changed(facts)]
    found += [] if topped is not None else [_ran_over(facts)]
    if topped is None and (mixed is None or mixed.certainty != "likely"):  # what explains the rest
        found += [_low_on_arrival(facts), _retained(facts), _not_level(facts), _listing(facts)]
    named = [cause for cause in found if cause is not None and (cause is mixed or cause.weight >= NAMED_AT)]
    return sorted(named, key=lambda cause: -cause.weight)


def figures(facts: Facts) -> list[Figure]:
    """The independent figures of what the compartment takes."""
    found = []
    if facts.drained_l is not None and facts.drained_l > 0:
        drained_l = facts.drained_l + facts.still_to_come_l
        found.append(
            Figure(N_("drained"), drained_l, math.hypot(facts.u_drained_l, 0.5 * facts.still_to_come_l))
        )
    if facts.shop is not None and facts.shop.mean_l is not None and facts.shop.n >= MIN_HISTORY:
        said = _("the shop's {n} jobs").format(n=facts.shop.n)
        found.append(Figure(f"the shop's {facts.shop.n} jobs", facts.shop.mean_l, facts.shop.u_mean_l, said))
    if facts.filled_l is not None and facts.level_seen and facts.filled_l > 0:
        found.append(Figure(N_("filled to the plug"), facts.filled_l, facts.u_filled_l))
    return found


def unit_mixup(facts: Facts) -> Cause | None:
    """A listed capacity read in the wrong unit; call it once the drained figure is there, before the pump may run.

    Raises ValueError where the capacity as typed is no volume.
    """
    typed = mixup.typed_unit(facts.capacity_text, facts.country)
    if typed is None:
        return None
    # A learned target has left the listing behind already; the unit is judged against the listing itself.
    expected_l = facts.expected_l
    if facts.shop is not None and facts.shop.n > 0 and facts.shop.prior_l is not None:
        expected_l = facts.shop.prior_l
    found = mixup.find(typed, facts.listed_l, expected_l, facts.u_expected_l, figures(facts))
    if found is None:
        return None
    return Cause(
        "unit_mixup",
        found.certainty,
        found.probability,
        found.text,
        {
            "typed": found.typed,
            "meant": found.meant,
            "listed_l": found.listed_l,
            "meant_l": found.meant_l,
            **{figure.name: figure.value_l for figure in found.figures},
        },
    )


def _shortfall_l(facts: Facts) -> float | None:
    """How much less went in than expected; None before the fill or within tolerance."""
    if facts.filled_l is None:
        return None
    short_l = facts.expected_l - facts.filled_l
    return short_l if short_l > facts.tolerance_minus_l or -short_l > facts.tolerance_plus_l else None


def _ran_over(facts: Facts) -> Cause | None:
    if facts.overflow_l is None or facts.overflow_l <= expanded(facts.u_overflow_l):
        return None
    short_l = _shortfall_l(facts)
    weight = real(facts.overflow_l, facts.u_overflow_l)
    if short_l is None or short_l < 0:  # it did no harm; worth a word only where much was lost
        weight *= 0.6 if facts.overflow_l > facts.tolerance_minus_l else 0.0
    text = _(
        "{overflow_l} L ran over into the pan and is not in the housing. Filled faster than it settles, foam, or the vehicle leaning to the plug's side."
    ).format(overflow_l=number(facts.overflow_l, ".3f"))
    return cause_of("overflow", weight, text, overflow_l=facts.overflow_l, u95_l=expanded(facts.u_overflow_l))


def _topped_up(facts: Facts) -> Cause | None:
    """More was asked for, run by run, and that is what is too much."""
    over_l = -(_shortfall_l(facts) or 0.0)
    if over_l <= 0 or facts.topped_l <= 0 or facts.filled_l is None:
        return None
    doubt_l = math.hypot(facts.u_filled_l, facts.u_expected_l)
    weight = real(over_l - facts.tolerance_plus_l, doubt_l) * min(1.0, facts.topped_l / over_l)
    text = ngettext(
        "The target was reached, and {n} more run of the pump put in {topped_l} L beyond it. That explains the {over_l} L too much.",
        "The target was reached, and {n} more runs of the pump put in {topped_l} L beyond it. That explains the {over_l} L too much.",
        facts.top_ups,
    ).format(n=facts.top_ups, topped_l=number(facts.topped_l, ".3f"), over_l=number(over_l, ".3f"))
    found = cause_of("topped_up", weight, text, runs=facts.top_ups, topped_l=facts.topped_l, over_l=over_l)
    return found if weight >= NAMED_AT else None


def _air(facts: Facts) -> Cause | None:
    if not facts.notice_kinds & {"air", "no_flow"}:
        return None
    text = _(
        "Air in the line, or flow that stopped while the pump ran: the meter counts air as fluid. Bleed, prove, top up."
    )
    return cause_of("air", 0.8, text)


def _meter(facts: Facts) -> Cause | None:
    offset, u, fills = facts.meter.offset_rel, facts.meter.u_offset_rel, facts.meter.fills
    short_l = _shortfall_l(facts)
    if fills >= MIN_HISTORY and short_l is not None:
        explained_l = -offset * facts.expected_l
        doubt_l = math.hypot(facts.u_filled_l, facts.u_expected_l, u * facts.expected_l)
        weight = real(abs(offset) - 2.0 * u, u) * fits(explained_l, short_l, doubt_l)
        text = _(
            "This meter's last {fills} fills that were proved by lip or next drain came to {offset} than they should; that alone would be {explained_l} L here. Prove the meter."
        ).format(fills=fills, offset=off_by(offset), explained_l=number(explained_l, ".3f"))
        if weight >= NAMED_AT:
            return cause_of("meter_drift", weight, text, offset_percent=offset * 100, jobs=fills)
    if facts.meter_due and short_l is not None:
        return cause_of(
            "meter_due",
            NAMED_AT,
            _("The meter is due for proving: {meter_due}.").format(meter_due=facts.meter_due),
        )
    return None


def _low_on_arrival(facts: Facts) -> Cause | None:
    if facts.drained_l is None:
        return None
    missing_l = facts.expected_l - facts.drained_l - facts.still_to_come_l
    u = math.hypot(facts.u_drained_l, facts.u_expected_l, 0.5 * facts.still_to_come_l)
    weight = real(missing_l - facts.tolerance_minus_l, u)
    if weight < NAMED_AT:
        return None
    previous, missing = facts.previous, number(missing_l, ".3f")
    before_l = None
    if previous is not None and previous.filled_l is not None:
        before_l = previous.expected_l - previous.filled_l
        u_both = math.hypot(u, previous.u_filled_l)
        if before_l > 0 and fits(before_l, missing_l, u_both) > 0.6:
            text = _(
                "{missing_l} L less came out than the housing takes. The job of {day} put in {before_l} L too little: an earlier short fill."
            ).format(
                missing_l=missing, day=day_of(previous.utc, facts.zone), before_l=number(before_l, ".3f")
            )
            return cause_of("short_before", weight, text, missing_l=missing_l, short_before_l=before_l)
    text = _(
        "{missing_l} L less came out than the housing takes. Low on arrival: a leak, or filled short before. Look at seals, plug and breather."
    ).format(missing_l=missing)
    return cause_of(
        "low_on_arrival", weight, text, missing_l=missing_l, u95_l=expanded(u), short_before_l=before_l
    )


def _retained(facts: Facts) -> Cause | None:
    short_l = _shortfall_l(facts)
    if short_l is None or short_l < 0 or not facts.level_seen or facts.drained_l is None:
        return None
    kept_l = facts.expected_l - facts.drained_l
    u = math.hypot(facts.u_drained_l, facts.u_filled_l, 0.01 * facts.expected_l)
    weight = fits(kept_l, short_l, u) * real(kept_l, math.hypot(facts.u_drained_l, facts.u_expected_l))
    text = _(
        "Drained and filled are both short, by {kept_l} L and {short_l} L, and the level was seen: old fluid stayed behind, more than the method usually leaves. {still_to_come_l} L were still to drip."
    ).format(
        kept_l=number(kept_l, ".3f"),
        short_l=number(short_l, ".3f"),
        still_to_come_l=number(facts.still_to_come_l, ".3f"),
    )
    return cause_of(
        "retained", weight, text, kept_l=kept_l, short_l=short_l, dripping_l=facts.still_to_come_l
    )


def _not_level(facts: Facts) -> Cause | None:
    short_l = _shortfall_l(facts)
    if short_l is None or not facts.level_seen:
        return None
    fits_before = facts.drained_l is not None and abs(facts.expected_l - facts.drained_l) < (
        facts.tolerance_minus_l + 2.0 * facts.u_drained_l
    )
    weight = 0.5 + (0.25 if fits_before else 0.0)
    if facts.shop is not None and facts.shop.n >= MIN_HISTORY:
        weight += 0.15
    stood = (
        _(
            "The level stood at the plug {short_l} L below the expected fill. Vehicle not level, or fluid still running to the far side. Level it, wait, look again."
        )
        if short_l > 0
        else _(
            "The level stood at the plug {short_l} L above the expected fill. Vehicle not level, or fluid still running to the far side. Level it, wait, look again."
        )
    )
    text = stood.format(short_l=number(abs(short_l), ".3f"))
    return cause_of("not_level", weight, text, difference_l=-short_l, drained_l=facts.drained_l)


def _never_changed(facts: Facts) -> Cause | None:
    previous, condition = facts.previous, facts.condition
    if previous is None or condition is None:
        return None
    signs = [
        word
        for word, seen in (
            (N_("black"), condition.colour == "black"),
            (N_("burnt"), condition.smell == "burnt"),
            (condition.metal, condition.metal in ("flakes", "chips")),
        )
        if seen
    ]
    recent = (
        previous.distance_km is not None
        and facts.interval_km is not None
        and previous.distance_km < EARLY_CHANGE * facts.interval_km
    )
    differs, u = 0.0, 0.0
    if facts.drained_l is not None and previous.filled_l is not None:
        differs = abs(facts.drained_l + facts.still_to_come_l - previous.filled_l) - facts.tolerance_minus_l
        u = math.hypot(facts.u_drained_l, previous.u_filled_l, facts.u_expected_l)
    off = differs > 0 and real(differs, u) > 0.95
    if not signs or not (recent or off):
        return None
    weight = min(0.95, 0.4 + 0.15 * len(signs) + (0.2 if recent else 0.0) + (0.2 if off else 0.0))
    parts = [_("The record says changed on {day}").format(day=day_of(previous.utc, facts.zone))]
    if recent:
        parts.append(_("{distance} ago").format(distance=format_distance(previous.distance_km or 0.0)))
    if off:
        parts.append(
            _("with {filled_l} L, but {drained_l} L came out").format(
                filled_l=number(previous.filled_l or 0.0, ".3f"),
                drained_l=number(facts.drained_l or 0.0, ".3f"),
            )
        )
    text = _("{parts}; the fluid is {signs}. The change may never have been made.").format(
        parts=", ".join(parts), signs=listed([_(sign) for sign in signs])
    )
    return cause_of("never_changed", weight, text, distance_km=previous.distance_km, differs_l=differs)


def _listing(facts: Facts) -> Cause | None:
    shop = facts.shop
    if shop is None or shop.mean_l is None or shop.prior_l is None or shop.n < MIN_HISTORY:
        return None
    off_l = shop.mean_l - shop.prior_l
    weight = real(abs(off_l) - max(facts.tolerance_minus_l, facts.tolerance_plus_l), shop.u_mean_l)
    text = _(
        "The shop's {n} jobs on this type came to {mean_l} L; from the listed {listed_l} L {prior_l} L would be expected. Check the listing against the service manual."
    ).format(
        n=shop.n,
        mean_l=number(shop.mean_l, ".3f"),
        listed_l=number(shop.listed_l, ".3f"),
        prior_l=number(shop.prior_l, ".3f"),
    )
    return cause_of("listing", weight, text, shop_mean_l=shop.mean_l, listed_l=shop.listed_l, n=shop.n)
