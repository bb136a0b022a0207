"""Every change of a setting or a calibration, newest first: number, when, who, what, from what to what."""

from collections.abc import Sequence
from dataclasses import dataclass

from fastapi import APIRouter
from starlette.responses import JSONResponse, Response

from station.common.tabular import to_csv
from station.shop import changes
from web.frame import format as fmt
from web.frame.deps import Station, download, page_of

SHOWN = 500

router = APIRouter()


@dataclass(frozen=True)
class ChangeRow:
    number: str
    at: str
    by: str
    what: str
    old: str
    new: str


@dataclass(frozen=True)
class ChangesPage:
    """``/changes``. more: how many older ones are not shown; the file has them."""

    rows: Sequence[ChangeRow]
    more: int


def _row(one: changes.Changed) -> ChangeRow:
    return ChangeRow(
        fmt.UNKNOWN if one.counter is None else str(one.counter),
        fmt.moment(one.utc),
        one.by or fmt.UNKNOWN,
        one.parameter.replace("_", " "),
        one.old or fmt.UNKNOWN,
        one.new or fmt.UNKNOWN,
    )


def changes_page(listed: Sequence[changes.Changed]) -> ChangesPage:
    """listed: oldest first."""
    shown = listed[-SHOWN:][::-1]
    return ChangesPage([_row(one) for one in shown], len(listed) - len(shown))


def _listed(engine: Station) -> list[changes.Changed]:
    with engine.reading() as ledger:
        return changes.listed(ledger)


@router.get("/changes")
def page(engine: Station) -> Response:
    return page_of("changes.html", changes_page(_listed(engine)))


@router.get("/changes.json")
def as_json(engine: Station) -> Response:
    return JSONResponse({"changes": [one.to_dict() for one in _listed(engine)]})


@router.get("/changes.csv")
def as_csv(engine: Station) -> Response:
    rows = [one.to_dict() for one in _listed(engine)]
    return download(to_csv(rows, changes.COLUMNS), "changes.csv", "text/csv")
