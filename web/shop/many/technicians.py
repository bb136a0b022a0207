"""What each technician took out of the containers: a place to look, where litres and jobs do not go together."""

from collections.abc import Sequence
from urllib.parse import urlencode

from fastapi import APIRouter

from station.common.words import _
from station.record.many.compartments import within
from station.record.many.ingest import Db
from station.shop.costs import Catalogues
from station.shop.technicians import TechnicianUse, technicians
from web.frame import format as fmt
from web.shop.many.asked import Asked, ReadingDb, TheAsked
from web.shop.many.contexts import Cell, Section, files, number, rows_of
from web.shop.prices import paid

router = APIRouter()


@router.get("/technicians.json", tags=["read"])
def technicians_json(db: ReadingDb, asked: TheAsked) -> Sequence[TechnicianUse]:
    """Each technician's jobs in each shop, and the litres that they and their entries took out of containers, with what these cost."""
    return technicians(db, asked.scope)


def found(db: Db, asked: Asked, lists: Catalogues) -> Sequence[TechnicianUse] | None:
    """None of too many shops or months."""
    return technicians(db, asked.scope, lists) if within(asked.scope) else None


def used(asked: Asked, every: Sequence[TechnicianUse] | None) -> Section:
    def row(one: TechnicianUse) -> list[Cell]:
        told = {"month": asked.month, "months": asked.months, "shop": one.shop, "q": f'"{one.technician}"'}
        jobs = number(one.jobs)
        if one.abandoned:
            text = _("{n} and {abandoned} abandoned").format(n=one.jobs, abandoned=one.abandoned)
            jobs = Cell(text, amount=True)
        amounts = (one.out_l, one.filled_l, one.overflow_l, one.purge_l, one.waste_l, one.rest_l)
        return [
            Cell(one.technician, f"/jobs?{urlencode(told)}") if one.technician else Cell(_("no technician")),
            Cell(one.shop),
            jobs,
            *(Cell(fmt.decimal(volume_l, 2), amount=True) for volume_l in amounts),
            Cell(paid(one), amount=True),
        ]

    empty = _("Nothing was filled or moved in these months.")
    if every is None:
        empty = _("These are too many jobs to look through at once. Ask for one shop, or for fewer months.")
    return Section(
        _("By technician, litres"),
        _("By what left the containers. A name is a place to look, never a finding about a person."),
        (
            _("Technician"),
            _("Shop"),
            _("Jobs"),
            _("Out of containers"),
            _("Into compartments"),
            _("Overflow"),
            _("Purge"),
            _("Waste"),
            _("Drawn by hand"),
            _("Cost"),
        ),
        empty=empty,
        files=files("/technicians", asked) if every else (),
        **rows_of(every or (), row),
    )
