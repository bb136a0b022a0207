"""What the sheet's first page says of a service, in a customer's words."""

from station.common.words import N_, _
from station.given.report import Report
from station.learning import condition
from web.frame import format as fmt

TEXT = 170
"""What a row of the first page holds in its worst case."""

HEADS = {
    "full": N_("The right amount is in."),
    "short": N_("Too little is in."),
    "over": N_("Too much is in."),
    "undecided": N_("It is not certain that the right amount is in."),
    "none": N_("Nothing was filled, so there is nothing to judge."),
}
LOOKS = {
    "smell": {"usual": N_("usual smell"), "burnt": N_("smells burnt"), "fuel": N_("smells of fuel"), "coolant": N_("smells of coolant")},
    "metal": {
        "none": N_("no metal on the magnet"),
        "fine paste": N_("fine paste on the magnet"),
        "flakes": N_("flakes on the magnet"),
        "chips": N_("chips on the magnet"),
    },
}  # fmt: skip


def cut(text: str, length: int = TEXT) -> str:
    return text if len(text) <= length else f"{text[: length - 1].rstrip()}…"


def looked(noted: condition.Noted) -> str:
    """How the drained fluid looked, as one reads it aloud, and what the trade reads from it."""
    seen = noted.condition
    if seen is None:
        return _("not noted")
    parts = [
        _(seen.colour),
        *([_("milky")] if seen.milky else []),
        _(LOOKS["smell"].get(seen.smell, seen.smell)),
        _(LOOKS["metal"].get(seen.metal, seen.metal)),
    ]
    return cut(" ".join([f"{fmt.sentence(', '.join(parts))}", *noted.findings]), 2 * TEXT)


def sure(report: Report) -> str:
    """The verdict's probability in words."""
    if report.filled_l is None or report.p_within is None:
        return fmt.UNKNOWN
    p = {"full": report.p_within, "short": report.p_short, "over": report.p_over}.get(report.verdict)
    meant = {"short": _("too little is in"), "over": _("too much is in")}.get(
        report.verdict, _("the amount is right")
    )
    if p is not None:
        return _("{p} probability that {meant}").format(p=fmt.probability(p), meant=meant)
    return _("right with {p_within} probability, too little with {p_short}, too much with {p_over}").format(
        p_within=fmt.probability(report.p_within),
        p_short=fmt.probability(report.p_short),
        p_over=fmt.probability(report.p_over),
    )


def right(report: Report) -> str:
    """What counts as the right amount."""
    expected = report.expected_fill_l
    lower = fmt.litres(expected - report.tolerance_minus_l).number
    return _("{low} to {high}").format(low=lower, high=fmt.litres(expected + report.tolerance_plus_l))


def watched(watched_s: float | None) -> str:
    """A leak watch that came to nothing."""
    return (
        _("not looked for")
        if watched_s is None
        else _("watched for {watched:.0f} s, too short to say").format(watched=watched_s)
    )


def of(volume: fmt.Shown, fluid: str | None) -> str:
    return (
        _("{volume} of {fluid}").format(volume=volume, fluid=fluid)
        if fluid and volume is not fmt.NOTHING
        else str(volume)
    )
