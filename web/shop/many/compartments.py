"""One vehicle's compartment over many bays: what it took, and how often it came out short. "This bus's rear axle", in one line."""

from collections.abc import Sequence
from urllib.parse import urlencode

from fastapi import APIRouter

from station.common.words import _
from station.record.many.compartments import CompartmentUse, compartments, within
from station.record.many.ingest import Db
from web.frame import format as fmt
from web.shop.many.asked import Asked, ReadingDb, TheAsked
from web.shop.many.contexts import Cell, Section, files, number, percent, rows_of

router = APIRouter()
FOLDED_MOST = 100
"""Of those without a short fill or an overfill; a file has all."""


@router.get("/compartments.json", tags=["read"])
def compartments_json(db: ReadingDb, asked: TheAsked) -> list[CompartmentUse]:
    """Each vehicle's compartments in each shop: their jobs by verdict, litres filled, and the mean deviation of their fills."""
    return compartments(db, asked.scope)


def found(db: Db, asked: Asked) -> Sequence[CompartmentUse] | None:
    """None of too many shops or months."""
    return compartments(db, asked.scope) if within(asked.scope) else None


def _named(asked: Asked, one: CompartmentUse) -> Cell:
    words = [one.vehicle, one.compartment]
    told = {"month": asked.month, "months": asked.months, "shop": one.shop}
    query = urlencode({**told, "q": " ".join(f'"{word}"' for word in words if word)})
    return Cell(" · ".join(word or fmt.UNKNOWN for word in words), f"/jobs?{query}")


def _empty() -> str:
    return _("No job was opened in these months.")


def _too_many() -> str:
    return _("These are too many jobs to look through at once. Ask for one shop, or for fewer months.")


def _litres(volume_l: float) -> Cell:
    return Cell(fmt.decimal(volume_l, 2), amount=True)


def used(asked: Asked, every: Sequence[CompartmentUse] | None) -> Section:
    """What went into each: the most first, and what they come to together."""

    def row(one: CompartmentUse) -> list[Cell]:
        return [
            _named(asked, one),
            Cell(one.shop),
            number(one.jobs),
            _litres(one.filled_l),
            Cell(fmt.on(one.newest)),
        ]

    here = sorted(every or (), key=lambda one: -one.filled_l)
    told = rows_of(here, row)
    if here:
        total = [
            Cell(_("All")),
            Cell(""),
            number(sum(one.jobs for one in here)),
            _litres(sum(one.filled_l for one in here)),
            Cell(""),
        ]
        told = {"rows": [*told["rows"], total], "total": told["total"] + 1}
    return Section(
        _("By vehicle and compartment, litres"),
        "",
        (_("Vehicle and compartment"), _("Shop"), _("Jobs"), _("Into compartments"), _("Newest job")),
        empty=_too_many() if every is None else _empty(),
        files=files("/compartments", asked) if every else (),
        **told,
    )


def judged(asked: Asked, every: Sequence[CompartmentUse] | None) -> Section:
    """Which came out short or over; the others are opened up."""

    def row(one: CompartmentUse) -> list[Cell]:
        return [
            _named(asked, one),
            Cell(one.shop),
            number(one.jobs),
            number(one.short),
            number(one.over),
            number(one.undecided),
            percent(one.mean_percent, 1),
            Cell(fmt.on(one.newest)),
        ]

    here = every or ()
    off = [one for one in here if one.short or one.over]
    rest = sorted(
        (one for one in here if not (one.short or one.over)),
        key=lambda one: 0.0 if one.mean_percent is None else one.mean_percent,
    )
    return Section(
        _("Which vehicle's compartment?"),
        _("Off is the mean of (filled − expected) / expected over its measured fills."),
        (
            _("Vehicle and compartment"),
            _("Shop"),
            _("Jobs"),
            _("Short"),
            _("Over"),
            _("Undecided"),
            _("Off"),
            _("Newest job"),
        ),
        empty=_too_many() if every is None else _empty(),
        files=files("/compartments", asked) if every else (),
        fold=_("{n} without a short fill or an overfill, the lowest first").format(n=len(rest)),
        **{
            **rows_of(off, row),
            "folded": [row(one) for one in rest[:FOLDED_MOST]],
            "total": len(here),
        },
    )
