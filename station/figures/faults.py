"""How each witness of a fill may be wrong, and how likely that is: our model, stated in one place.

No source gives such probabilities for small workshop instruments. Those below are common practice, no source: what is
usually met. A shop's own record replaces them where it can, fill by fill. Shares are of the expected fill.
"""

import math
from collections.abc import Sequence
from itertools import pairwise

from station.figures.evidence import Fault, Part
from station.given.evidence import MeterRecord
from station.given.limits import LIMITS as GIVEN
from station.given.listing import P_WRONG_UNIT

P_METER_OFF = 0.20
"""A meter of which the shop knows nothing is off by more than its certificate says: one in five."""
P_METER_OFF_PROVED = 0.05
"""The same where its proving is in date."""
METER_OFF_REL = ((0.5, 0.025), (0.5, 0.07))
"""(weight, root mean square relative to the volume): worn or wrongly set, and broken."""
METER_UNDER = 2.0 / 3.0
"""Two of three count too little: fluid slips past what is worn, and a broken tooth or a loose wire gives no pulse. Too much
comes from a wrong factor or a pulse counted twice; air is a fault of its own."""
P_METER_BREAKS = 1.0 / 400.0
"""Per fill since the last one whose level was proved."""
MOST_SURE = 0.98
"""No record accuses a meter beyond doubt: it may have been mended since."""
SCATTER_REL = 0.02
"""What one level-proved fill differs by from the expected one with a sound meter: level, listing, retained."""

P_AIR, AIR_FILLS = 0.05, 15.0
"""Air that was counted as fluid and not told: so many fills of a new shop, and how many of the shop's own level-proved
fills halve it."""
P_AIR_SEEN = 0.20
"""Where air was found in this fill there may be more of it than was found."""
AIR_L = ((0.5, 0.06, 0.03), (0.3, 0.15, 0.06), (0.2, 0.32, 0.12))
"""(weight, litres counted too much, standard deviation): a hose that was not bled holds some tenths of a litre."""

P_LEVEL_MISREAD, LEVEL_MISREAD_REL = 0.20, 0.02
"""The level at the plug misjudged, or the plug looked at in haste: by 4 mm, twice what an eye is good to; of the expected fill."""
P_LEVEL_TICKED, LEVEL_TICKED_REL = 0.03, 2.0
"""Marked as seen and not looked at. "Seen" is a yes, not a reading: who reads says it where his reading is at the plug, and who
does not look says it of any level alike, as of one at the plug. So it is as good as even over the whole housing, and with these
two shares "seen" is said once of a level 5 % below the plug where it is said 25 times of one at the plug, and once in thirty
times of any that is lower."""

DRY_LIP_OFF = ((0.20, 0.08), (0.03, 0.25))
"""(share, root mean square of the expected fill): how far below the lip a level stands that nothing ran over, misjudged."""

P_RAN_EARLY, RAN_EARLY_L, P_RAN_EARLY_ALWAYS = 0.04, 0.02, 0.001
"""It ran over before the housing was full (foam, tubes still filling, thick fluid that stands higher where the hose is) and
sank afterwards: the less likely the more ran over, falling by e for every so many litres; never less than the last."""
RAN_EARLY_REL = ((0.6, 0.03, 0.015), (0.4, 0.08, 0.04))
P_SPILT, SPILT_L = 0.10, 0.010
"""What came into the pan was a hose's drip or a splash beside the plug: then it says nothing of the level but that it
is no higher than the lip."""
OVER_UNSEEN = 0.1
"""More than fits went in and the pan saw nothing run out at the open plug: one time in ten, the pan stood aside, the hose
sealed the hole until the plug was in, or the vehicle leans. Less would call a lone meter full that counted air."""
P_SPILT_PROVED = 0.01
"""The same where the pan answered to the steps of a proof at the lip and nothing else came onto it: a spill does not wait
for the pump."""
SPILT_REL = ((0.3, 0.03, 0.02), (0.4, 0.10, 0.06), (0.3, 0.25, 0.12))

P_CONTAINER_WRONG = 0.05
"""A container misread, weighed with a tool on it, or taken from twice."""
CONTAINER_WRONG_REL, CONTAINER_WRONG_L = 0.10, 0.30

P_PUMP_OTHER, PUMP_OTHER_REL = 0.10, 0.30
"""The pump did not move what it is known for: suction filter, kinked hose, slow speed."""

P_LISTING_WRONG, LISTING_WRONG_REL = 0.04, 0.10
"""The listed capacity is another variant's, or counts differently: one in twenty-five."""
OTHER = "another volume"
P_LISTING_OTHER = 0.01
"""The capacity is another vehicle's, or a slip of the pen: then it says nothing, and what came out is all that tells. That it
is in another unit is a doubt of its own (``station.given.listing.P_WRONG_UNIT``)."""
CLEARED_TIMES, CLEARED_MOST = 3.0, 8.0
"""The first fill that the shop learned from clears a listing of nothing: a level that was ticked without a look would have
vouched for both. Each further one makes a wrong listing so many times less likely, up to the last in all (our model; what it
costs: tests/FIGURES.md)."""
OTHER_DECADES = math.log(100.0)
"""What comes out is then anything over two decades: its density is 1 / (volume × this)."""
OTHER_UNIT_REL = 0.02
"""What the number means in another unit is good to so much (common practice, no source)."""
P_ARRIVES_OVER, ARRIVES_OVER_REL = 0.03, 0.10
"""More comes out than it holds: filled on a slope, or water in it."""
P_ARRIVES_LOW = 0.10
"""It arrives with anything from nothing to all of its fluid: a leak, an earlier short fill. If it holds V, what came out is
then equally likely anything up to V: 1 / V for each V above what came."""
LOW_EDGES, LOW_SMOOTH = (1.0, 1.2, 1.5, 2.0, 2.8, 4.0, 6.0, 9.0, 14.0, 22.0, 34.0, 51.0), 0.4
"""In what came out: normal distributions, one from edge to edge with a standard deviation of so much of the way, are together
1 / V to an eighth; and next to nothing below what came out, since nothing arrives with twice what it holds."""

P_NOT_LEVEL, NOT_LEVEL_REL = 0.03, 0.08
"""One vehicle in 33 does not stand level, though the checklist asks for it before the drain: then what runs over the lip,
and what is seen at the plug, is true of the lip and not of the volume. Lip and level seen share it. One end raised by 5 to
10° puts a plug that is 0.1 to 0.2 m from the middle 10 to 30 mm off, and 2 mm are about 1 % of a housing's volume."""
P_STAND_TICKED, P_LEVEL_IS_TICKED = 0.10, 2.0 / 3.0
"""How often it is ticked that a spirit level showed level: of vehicles that are off, where none was laid or it lay on a face
that is not; and of those that stand level, where nobody may have had one at hand. From judgement."""
P_NOT_LEVEL_UNSEEN = 0.20
"""The most that may stand off level of those that nobody ticked: one in five, as where twice as many are off and three of four
that stand level are ticked. None of these shares was ever counted, and where nobody looked a verdict holds for any of them,
from none to this, or it is none."""
NOT_LEVEL_NODES = (0.2, 0.6, 1.0, 1.4, 1.8)
"""Normal deviates that stand for it, either way."""

P_HOSE_EMPTY, P_HOSE_TICKED = 0.03, 0.10
"""One fill in 33 begins with a hose that had run empty: a drum drawn dry, another container, an end that hung open. And one
tick in ten that it ran without bubbles was set without a look. From judgement."""
HOSE_HOLDS_L = (0.15, 0.30, 0.45)
"""What a hose holds between meter and plug: 10 to 15 mm bore, 2 to 3 m long."""


def _two_sided(of_l: float, parts: tuple[tuple[float, float], ...]) -> tuple[Part, ...]:
    return tuple(Part(weight, 0.0, rel * of_l) for weight, rel in parts)


def _below(of_l: float, parts: tuple[tuple[float, float, float], ...]) -> tuple[Part, ...]:
    """The level is lower than what is said by these shares."""
    return tuple(Part(weight, rel * of_l, u_rel * of_l) for weight, rel, u_rel in parts)


def _meter_off() -> list[tuple[float, float, float]]:
    """(weight, centre, standard deviation) of what a meter counts too much, relative. Halves of normal distributions are
    taken as normal ones with the mean and standard deviation of a half."""
    centre, sd = math.sqrt(2.0 / math.pi), math.sqrt(1.0 - 2.0 / math.pi)
    sides = ((METER_UNDER, -1.0), (1.0 - METER_UNDER, 1.0))
    return [(w * p, side * centre * rel, sd * rel) for w, rel in METER_OFF_REL for p, side in sides]


def p_meter_off(record: MeterRecord) -> float:
    """Probability that a meter is off, from its proving and from its fills whose level was proved.

    The fills' mean offset is as it is either because the meter is sound, or because it is off by about that much: Bayes'
    rule for two classes.
    """
    p = P_METER_OFF_PROVED if record.proved else P_METER_OFF
    if record.fills < 1:
        return p
    u = max(record.u_offset_rel, SCATTER_REL / math.sqrt(record.fills))
    off = sum(w * _density(record.offset_rel - at, math.hypot(u, sd)) for w, at, sd in _meter_off())
    sound = _density(record.offset_rel, u)
    return min(MOST_SURE, p * off / (p * off + (1.0 - p) * sound))


def _density(x: float, sd: float) -> float:
    return math.exp(-0.5 * (x / sd) ** 2) / sd


def meter(metered_l: float, record: MeterRecord, air_seen: bool) -> tuple[Fault, ...]:
    """Faults of a meter that counted metered_l."""
    u = max(record.u_offset_rel, SCATTER_REL / math.sqrt(max(1, record.fills)))
    off, broken = [], []
    for weight, at, sd in _meter_off():
        broken.append(Part(weight, at * metered_l, sd * metered_l))
        if record.fills:  # off as the level-proved fills say, as far as they can say it
            keep = sd**2 / (sd**2 + u**2)
            weight *= _density(record.offset_rel - at, math.hypot(u, sd))
            shift_rel = at + keep * (record.offset_rel - at)
            off.append(Part(weight, shift_rel * metered_l, math.sqrt(keep) * u * metered_l))
    broke = 1.0 - (1.0 - P_METER_BREAKS) ** (record.fills_since + 1) if record.fills else 0.0
    p_off = p_meter_off(record)
    p_air = P_AIR_SEEN if air_seen else P_AIR * AIR_FILLS / (AIR_FILLS + record.fills)
    rest = (1.0 - p_off) * (1.0 - broke)
    return (
        Fault("off", p_off, tuple(off or broken)),
        Fault("broken since", (1.0 - p_off) * broke, tuple(broken)),
        Fault("air", rest * p_air, tuple(Part(w, at, u_l) for w, at, u_l in AIR_L)),
    )


def level(expected_l: float, u_l: float) -> tuple[Fault, ...]:
    """Faults of a level that somebody saw at the plug, u_l near. A density that is even and as high as a tick without a look is
    likely, beside one of u_l, sums up to more than one over all levels, so that all weights are scaled."""
    ticked = P_LEVEL_TICKED * LEVEL_TICKED_REL * expected_l / u_l
    whole = 1.0 - P_LEVEL_TICKED + ticked
    return (
        Fault("misread", P_LEVEL_MISREAD / whole, (Part(1.0, 0.0, LEVEL_MISREAD_REL * expected_l),)),
        Fault("not looked", ticked / whole, (Part(1.0, 0.0, LEVEL_TICKED_REL * expected_l, alone=True),)),
    )


def dry_lip(expected_l: float) -> tuple[Fault, ...]:
    """Faults of a level that stands below the lip, since so much was pushed and nothing ran over."""
    return tuple(
        Fault(name, p, (Part(1.0, 0.0, rel * expected_l),))
        for name, (p, rel) in zip(("misjudged", "far off"), DRY_LIP_OFF, strict=True)
    )


def lip(overflow_l: float, expected_l: float, proved: bool = False) -> tuple[Fault, ...]:
    """Faults of a level that is told by what ran over the lip into the pan. proved: in a proof, step by step."""
    spilt = P_SPILT_PROVED if proved else P_SPILT
    early = P_RAN_EARLY_ALWAYS + P_RAN_EARLY * math.exp(-overflow_l / RAN_EARLY_L)
    return (
        Fault("ran over early", early, _below(expected_l, RAN_EARLY_REL)),
        Fault("spilt", spilt * math.exp(-overflow_l / SPILT_L), _below(expected_l, SPILT_REL)),
    )


def container(filled_l: float) -> tuple[Fault, ...]:
    """Faults of a container's weighing."""
    return (
        Fault(
            "misweighed",
            P_CONTAINER_WRONG,
            (Part(1.0, 0.0, CONTAINER_WRONG_REL * filled_l + CONTAINER_WRONG_L),),
        ),
    )


def pump(pumped_l: float) -> tuple[Fault, ...]:
    """Faults of a pump's running time."""
    return (Fault("other flow", P_PUMP_OTHER, _two_sided(pumped_l, ((1.0, PUMP_OTHER_REL),))),)


def p_not_level(checked: bool) -> float:
    """Probability that the vehicle does not stand level; without the mark the most that it may be. A tick that is missing
    tells of it, too: who lays a spirit level and sees it off cannot tick, so that nearly all that stand off level are among the
    few that nobody ticked. Of those that were ticked by Bayes' rule."""
    if not checked:
        return P_NOT_LEVEL_UNSEEN
    off, level = P_NOT_LEVEL * P_STAND_TICKED, (1.0 - P_NOT_LEVEL) * P_LEVEL_IS_TICKED
    return off / (off + level)


def not_level(expected_l: float, checked: bool) -> tuple[Fault, ...]:
    """How the vehicle's stand may put the lip higher or lower than the listing means. checked: with a spirit level."""
    parts = tuple(
        Part(math.exp(-0.5 * z * z), side * z * NOT_LEVEL_REL * expected_l, 0.0)
        for z in NOT_LEVEL_NODES
        for side in (-1.0, 1.0)
    )
    return (Fault("not level", p_not_level(checked), parts),)


def hose(record: MeterRecord, purged_l: float, seen_full: bool) -> tuple[Fault, ...]:
    """What a hose that had run empty kept of the fluid that meter, pump and container told of. purged_l: of this job, before
    its fill. Fills that the level bore out began with a full hose: they clear it as they clear the meter of air."""
    p = P_HOSE_EMPTY * AIR_FILLS / (AIR_FILLS + record.fills) * (P_HOSE_TICKED if seen_full else 1.0)
    parts = tuple(Part(1.0, at_l - purged_l, 0.0) for at_l in HOSE_HOLDS_L if at_l > purged_l)
    return (Fault("ran empty", p * len(parts) / len(HOSE_HOLDS_L), parts),) if parts else ()


def drained(came_l: float) -> tuple[Fault, ...]:
    """Faults of what was drained, taken for what the compartment holds: somewhat more than came_l."""
    says_l = (1.0 + GIVEN.arrives_low_rel) * came_l
    low = tuple(
        Part(
            math.log(to / at),
            says_l - math.sqrt(at * to) * came_l,
            LOW_SMOOTH * (to - at) * came_l,
            alone=True,
        )
        for at, to in pairwise(LOW_EDGES)
    )
    # A share of 1 / V sums up to more than one over all V that are asked about, so that all weights are scaled.
    p_low = P_ARRIVES_LOW * sum(part.weight for part in low)
    whole = 1.0 - P_ARRIVES_LOW + p_low
    return (
        Fault("arrived low", p_low / whole, low),
        Fault("arrived over", P_ARRIVES_OVER / whole, (Part(1.0, 0.0, ARRIVES_OVER_REL * came_l),)),
    )


def _p_cleared(fills: int) -> float:
    """What the shop's own fills leave of the doubt in a listing. fills: that it learned from."""
    return float(max(1.0 / CLEARED_MOST, CLEARED_TIMES ** min(0, 1 - fills)))


def p_other(expected_l: float, fills: int, came_l: float, units: Sequence[float] = ()) -> float:
    """Probability that a capacity means another volume altogether, from what came out of the compartment.

    expected_l and came_l are of one thing: what came out and what should go in. fills, units: as ``expected`` has them.
    Bayes' rule.
    """
    left = _p_cleared(fills)
    other = left * P_LISTING_OTHER / (came_l * OTHER_DECADES)
    other += sum(left * P_WRONG_UNIT / len(units) * _came(came_l, times * expected_l) for times in units)
    right = 1.0 - left * (P_LISTING_OTHER + (P_WRONG_UNIT if units else 0.0))
    return min(MOST_SURE, other / (other + right * _came(came_l, expected_l)))


def _came(came_l: float, holds_l: float) -> float:
    """Density of what comes out of a compartment that holds so much."""
    u_l = GIVEN.arrival_rel * holds_l
    full = _density(came_l - (1.0 - GIVEN.arrives_low_rel) * holds_l, u_l) / math.sqrt(2.0 * math.pi)
    low = 1.0 / holds_l if came_l < holds_l else 0.0
    return (1.0 - P_ARRIVES_LOW) * full + P_ARRIVES_LOW * low


def expected(
    expected_l: float, fills: int, came_l: float | None = None, units: Sequence[float] = ()
) -> tuple[Fault, ...]:
    """Faults of the expected fill. fills: of the shop's own, that it was learned from; 0 where it follows from the listing.
    came_l: what was drained, where it was weighed; says in what range another volume is looked for. units: what the units that
    may have been meant are of the one that the capacity is in.
    """
    left = _p_cleared(fills)
    listing = Fault(
        "listing wrong", left * P_LISTING_WRONG, _two_sided(expected_l, ((1.0, LISTING_WRONG_REL),))
    )
    if came_l is None or came_l <= 0:
        return (listing,)
    wide_l = came_l * OTHER_DECADES / math.sqrt(2.0 * math.pi)
    parts = [Part(P_LISTING_OTHER, expected_l - came_l, wide_l, alone=True)]
    parts += [
        Part(P_WRONG_UNIT / len(units), (1.0 - times) * expected_l, OTHER_UNIT_REL * times * expected_l)
        for times in units
    ]
    return (listing, Fault(OTHER, left * sum(part.weight for part in parts), tuple(parts)))
