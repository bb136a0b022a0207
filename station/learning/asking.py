"""What is asked about before anything flows: figures that contradict each other are never averaged in silence.

A question is not a refusal. Whoever is asked may know better, says so with a reason, and the reason is kept.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from calibration.budget import NORMAL_95, expanded
from station.common.digits import litres, number
from station.common.words import _, ngettext
from station.given.limits import LIMITS as GIVEN
from station.given.listing import rounding_l
from station.given.report import Report, Told
from station.learning.expected import Expected
from station.learning.mixup import Figure, find, typed_unit
from station.record.rows import JobRow

APART = 2.6
"""Further apart than so many standard uncertainties is no chance any more: one in a hundred."""
VARIANT_REL = 0.02
"""Two listings of one compartment may differ by so much and still mean the same (common practice, no source)."""


@dataclass(frozen=True)
class Question:
    """kind: a stable word. text: what contradicts what, and what to do. numbers: litres behind it."""

    kind: str
    text: str
    numbers: Mapping[str, float] = field(default_factory=dict)

    @property
    def wants_reason(self) -> str:
        """As it is asked before a job is opened."""
        return _("{text} If it is right as typed, give the reason.").format(text=self.text)

    def to_notice(self, t_s: float) -> Told:
        """As one of a report's notices."""
        return Told(self.kind, self.text, t_s)


def capacity_question(
    typed_text: str, typed_l: float, catalogue: tuple[str, float] | None, shop: Expected | None
) -> Question | None:
    """Whether a typed capacity contradicts the catalogue's (text, litres) or the shop's own fills; None where it does not.

    shop: what the fills make of the capacity as typed (station.learning.expected).
    """
    if catalogue is not None:
        text, listed_l = catalogue
        u_l = math.hypot(
            rounding_l(typed_text, typed_l), rounding_l(text, listed_l), VARIANT_REL * min(typed_l, listed_l)
        )
        if abs(typed_l - listed_l) > APART * u_l:
            return Question(
                "capacity_contradicts_catalogue",
                _(
                    "{typed_text} ({typed_l} L) was typed; the catalogue lists {text} ({listed_l} L) for this compartment. Look the capacity and its unit up in the vehicle's service manual."
                ).format(
                    typed_text=typed_text,
                    typed_l=number(typed_l, ".3f"),
                    text=text,
                    listed_l=number(listed_l, ".3f"),
                ),
                {"typed_l": typed_l, "listed_l": listed_l},
            )
    if shop is not None and shop.against_listing and shop.mean_l is not None and shop.prior_l is not None:
        return Question(
            "capacity_contradicts_history",
            ngettext(
                "{typed} would mean a fill of {prior_l} L; the shop's {n} fill of this type came to {mean_l} L. The shop's own fill is what the verdict would use, {told}. Look the capacity and its unit up in the vehicle's service manual.",
                "{typed} would mean a fill of {prior_l} L; the shop's {n} fills of this type came to {mean_l} L. The shop's own fills are what the verdict would use, {told}. Look the capacity and its unit up in the vehicle's service manual.",
                shop.n,
            ).format(
                typed=typed_text,
                prior_l=number(shop.prior_l, ".3f"),
                n=shop.n,
                mean_l=number(shop.mean_l, ".3f"),
                told=litres(shop.value_l, expanded(shop.u_l)),
            ),
            {"typed_l": typed_l, "shop_mean_l": shop.mean_l},
        )
    return None


def earlier_question(jobs: Iterable[JobRow], shop: Expected) -> Question | None:
    """Whether more came out of a compartment in one of its earlier jobs than is expected to go in now; None where nothing did.
    Less has innocent reasons, a leak or a short fill. jobs: the compartment's."""
    for job in jobs:
        if job.drained_l is None or job.drained_u95_l is None:
            continue
        unlike = drained_question(job.drained_l, job.drained_u95_l / NORMAL_95, shop.value_l, shop.u_l)
        if unlike is not None and job.drained_l > shop.value_l:
            return Question(
                "capacity_contradicts_drained",
                _(
                    "{came} came out of it in the job of {day}, where {expected} are expected now. Look the capacity and its unit up in the vehicle's service manual."
                ).format(
                    came=litres(job.drained_l, job.drained_u95_l),
                    day=job.opened_utc[:10],
                    expected=litres(shop.value_l, shop.u95_l),
                ),
                unlike.numbers,
            )
    return None


def drained_question(
    drained_l: float, u_drained_l: float, expected_l: float, u_expected_l: float
) -> Question | None:
    """Whether what came out contradicts what should go in; None where it does not.

    drained_l: what came out and what still drips. Both at one reference temperature, u: standard uncertainties.
    """
    off_l = drained_l - (1.0 - GIVEN.arrives_low_rel) * expected_l
    u_l = math.hypot(u_drained_l, u_expected_l, GIVEN.arrival_rel * expected_l)
    if abs(off_l) <= APART * u_l:
        return None
    what = (
        _(
            "A wrong unit or another vehicle's capacity, or over on arrival: something ran into it, or it was overfilled."
        )
        if off_l > 0
        else _(
            "Low on arrival (a leak, or an earlier short fill), fluid that ran past the pan, or a capacity in another unit."
        )
    )
    return Question(
        "drained_unlike",
        _(
            "{came} came out where {expected} were expected. {what} Look the capacity up in the vehicle's service manual before filling."
        ).format(
            came=litres(drained_l, expanded(u_drained_l)),
            expected=litres(expected_l, expanded(u_expected_l)),
            what=what,
        ),
        {"drained_l": drained_l, "expected_l": expected_l},
    )


def of_report(report: Report, capacity_text: str, country: str | None = None) -> list[Question]:
    """What a job's own report has to be asked about before its fill: the drained volume, and the unit of the capacity.

    report: of station.figures.balance. Raises ValueError where the capacity as typed is no volume.
    """
    if report.drained_l is None:
        return []
    still_l = max(0.0, report.still_to_come_l or 0.0)
    drained_l = report.drained_l + still_l
    u_drained_l = math.hypot((report.drained_u95_l or 0.0) / NORMAL_95, 0.5 * still_l)
    expected_l, u_expected_l = report.expected_fill_l, report.expected_fill_u95_l / NORMAL_95
    asked = []
    typed = typed_unit(capacity_text, country)
    if typed is not None:
        figure = Figure("drained", drained_l, u_drained_l)
        mixed = find(typed, report.listed_capacity_l, expected_l, u_expected_l, [figure])
        if mixed is not None and mixed.certainty == "likely":
            asked.append(Question("unit_mixup", mixed.text, {"meant_l": mixed.meant_l}))
    unlike = drained_question(drained_l, u_drained_l, expected_l, u_expected_l)
    if unlike is not None:
        asked.append(unlike)
    return asked
