"""What would turn an undecided fill into a verdict."""

from calibration.budget import expanded
from station.common.digits import number
from station.common.words import _
from station.learning.why import Facts


def what_settles(facts: Facts) -> list[str]:
    """What would turn an undecided fill into a verdict, the strongest first. Empty where nothing was filled."""
    if facts.filled_l is None:
        return []
    room_l = (facts.tolerance_minus_l + facts.tolerance_plus_l) / 2.0
    off_l = facts.filled_l - facts.expected_l
    to_limit_l = min(facts.tolerance_plus_l - off_l, off_l + facts.tolerance_minus_l)
    found = []
    if not facts.level_seen:
        found.append(
            _("A level check: stand the vehicle level, look at the plug, and note the level as seen.")
        )
    if facts.stands_level is False:
        found.append(
            _(
                "A spirit level on the housing, along and across: where it shows level, tick it, and what runs over at the plug is proof."
            )
        )
    if abs(to_limit_l) < 0.5 * room_l and abs(off_l) > 0.25 * room_l:
        move = (
            _("A top-up of {off_l} L: the fill lies {to_limit_l} L from the tolerance limit.")
            if off_l < 0
            else _("Taking out {off_l} L: the fill lies {to_limit_l} L from the tolerance limit.")
        )
        found.append(move.format(off_l=number(abs(off_l), ".3f"), to_limit_l=number(abs(to_limit_l), ".3f")))
    by_size = [
        (facts.u_filled_l, _("A proving of the meter: the filled figure is good to ± {u95} L only.")),
        (
            facts.u_expected_l,
            _("More closed jobs with the level seen: the expected fill is good to ± {u95} L only."),
        ),
        (0.5 * facts.still_to_come_l, _("More drip: up to {u95} L had still to come.")),
    ]
    for u_l, text in sorted(by_size, key=lambda pair: -pair[0]):
        if 1.645 * u_l > 0.25 * room_l:
            found.append(text.format(u95=number(expanded(u_l), ".3f")))
    return found or [_("A second measurement: drain into the pan again, or weigh what goes in.")]
