"""What stock takes find missing, in words: at a bay and over many."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Protocol
from urllib.parse import urlencode

from station.common import days
from station.common.words import _, ngettext
from station.shop.catalogue import Catalogue
from station.shop.missing import Missing, MissingTake
from web.frame import format as fmt
from web.shop.moves import fluid_name


class Taken(Protocol):
    """What counts say of a container against its books."""

    @property
    def explained(self) -> bool: ...
    @property
    def rest_l(self) -> float: ...
    @property
    def rest_u95_l(self) -> float: ...


def apart(take: Taken) -> str:
    """By how much counts and books differ; which way, ``says`` tells."""
    return str(fmt.litres(abs(take.rest_l), take.rest_u95_l))


def says(take: Taken) -> str:
    return _("agrees") if take.explained else _("missing") if take.rest_l > 0 else _("surplus")


def worth(take: Taken, cost: float | None, currency: str) -> str:
    """Of what is missing; a difference within its doubt is no loss, and a surplus is none."""
    if take.explained or take.rest_l <= 0:
        return _("nothing missing")
    return _("no price then") if cost is None else fmt.money(cost, currency)


def doubt() -> str:
    return _(
        "± is U95. Within it counts and books agree, and nothing is known to be missing. A difference beyond it was not booked, or booked twice, or counted wrong: count again before asking further."
    )


@dataclass(frozen=True)
class MissingRow:
    """What one count says. apart: by so much it and the books differ. worth: of what is missing. jobs, entries: where those of the time between the counts are listed."""

    container: str
    fluid: str
    span: str
    apart: str
    worth: str
    sign: str
    word: str
    tone: str
    jobs: str
    entries: str


@dataclass(frozen=True)
class MissingView:
    """The litres that are missing, on top of the page. cost: of them. volume: "" where nothing was counted. said: in a sentence."""

    volume: str
    cost: str
    tone: str
    said: str
    rows: Sequence[MissingRow]
    doubt: str


def _missing_row(one: MissingTake, catalogue: Catalogue, zone: tzinfo) -> MissingRow:
    take = one.take
    begun, ended = days.day_of(take.opening_utc, zone), days.day_of(take.closing_utc, zone)
    query = urlencode({"container": take.container, "from": begun, "to": ended})
    return MissingRow(
        container=take.container,
        fluid=fluid_name(catalogue, take.fluid),
        span=_("{low} to {high}").format(low=fmt.moment(take.opening_utc), high=fmt.moment(take.closing_utc)),
        apart=apart(take),
        worth=worth(take, one.cost, one.currency),
        sign="✓" if take.explained else "⚠",
        word=says(take),
        tone="ok" if take.explained else "look",
        jobs=f"/jobs?{query}",
        entries=f"/entries?{query}",
    )


def missing_view(found: Missing, catalogue: Catalogue, zone: tzinfo) -> MissingView:
    rows = [_missing_row(one, catalogue, zone) for one in found.takes]
    if found.volume_l is None:
        said = _(
            "No stock take that follows another one ends in this month. Count the containers: only two counts say what is missing."
        )
        return MissingView("", "", "none", said, rows, doubt())
    surplus = ""
    if found.surplus_l > 0:
        surplus = " " + _(
            "{surplus} more than the books have stand in another: a delivery or a count was not entered."
        ).format(surplus=fmt.litres(found.surplus_l))
    if found.volume_l == 0:
        said = _(
            "What the counts find agrees with the books, each within its doubt: nothing is known to be missing."
        )
        return MissingView("", "", "look" if surplus else "ok", said + surplus, rows, doubt())
    fluids = [fluid_name(catalogue, fluid) for fluid in found.fluids]
    odd = sum(row.tone == "look" for row in rows)
    told = ngettext(
        "So much left the containers and is booked nowhere, of {fluids}: {odd} of {n} count did not agree with the books. The jobs and entries in between stand behind each.",
        "So much left the containers and is booked nowhere, of {fluids}: {odd} of {n} counts did not agree with the books. The jobs and entries in between stand behind each.",
        len(rows),
    )
    said = told.format(fluids=_(" and ").join(fluids), odd=odd, n=len(rows)) + surplus
    volume = str(fmt.litres(found.volume_l, found.u95_l))
    cost = _("no price then") if found.cost is None else fmt.money(found.cost, found.currency)
    return MissingView(volume, cost, "look", said, rows, doubt())
