"""What one compartment of one vehicle took, over many bays: no sums are held of so many names; the jobs themselves are added up.

A shop's jobs of a month are a short range of an index that has all that is read of them. So many shops times months are looked
through at once, and whoever asks for more is told so.
"""

from dataclasses import dataclass
from datetime import date
from typing import Final

from station.common.words import _
from station.errors import InputError
from station.record.many.ingest import Db
from station.record.many.queries import IN, Scope, ask

SHOP_MONTHS_MOST: Final = 24
"""A shop of eight bays does some 800 jobs a month (common practice, no source): so many are as many rows as a search looks through
(``finding.LOOKED``)."""


@dataclass(frozen=True)
class CompartmentUse:
    """jobs: closed ones, of which so many came out short, over, undecided. filled_l: of those that were given up, too, as in the
    sums of use. mean_percent: of the deviations of closed and measured fills; None without one. newest: the day of its newest job."""

    shop: str
    vehicle: str | None
    compartment: str | None
    jobs: int
    short: int
    over: int
    undecided: int
    filled_l: float
    mean_percent: float | None
    newest: date


_CLOSED = "count(*) filter (where stage = 'closed'"
STATEMENTS: Final = {
    "compartments": f"""select shop, vehicle, compartment, {_CLOSED}) as jobs, {_CLOSED} and verdict = 'short') as short,
            {_CLOSED} and verdict = 'over') as over, {_CLOSED} and verdict = 'undecided') as undecided,
            coalesce(sum(round(filled_l * 1e6)::bigint), 0)::float8 / 1e6 as filled_l, avg(deviation_percent) as mean_percent,
            max(day) as newest
        from job where {IN} group by shop, vehicle, compartment
        order by short desc, over desc, mean_percent, shop, vehicle, compartment""",
}  # fmt: skip


def within(scope: Scope) -> bool:
    """Whether these are not too many jobs to be looked through at once."""
    months = (scope.until.year - scope.since.year) * 12 + scope.until.month - scope.since.month
    return len(scope.shops) * months <= SHOP_MONTHS_MOST


def compartments(db: Db, scope: Scope) -> list[CompartmentUse]:
    """Those with the most short fills first, then overfills, then the lowest mean. Raises InputError where they are too many."""
    if not within(scope):
        raise InputError(
            _(
                "{n} shops of so many months are too many jobs to tell one vehicle's compartment from another's. Ask for one shop, or for fewer months."
            ).format(n=len(scope.shops))
        )
    return ask(db, STATEMENTS["compartments"], CompartmentUse, **scope.values())
