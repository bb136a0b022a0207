"""The fleet, compartment by compartment: when its next change is due, and what a fill should come to."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, tzinfo
from typing import Any
from urllib.parse import quote, urlencode

from fastapi import APIRouter
from starlette.responses import JSONResponse, Response

from station.common import days
from station.common.distance import format_distance
from station.common.tabular import to_csv
from station.learning import expected
from station.shop import due as service
from web.frame import format as fmt
from web.frame.deps import Station, download, page_of

STATES = {
    "short fill": ("▼", "short fill"),
    "overdue": ("⚠", "overdue"),
    "due soon": ("!", "due soon"),
    "ok": ("✓", "not due"),
    "unknown": ("?", "unknown"),
}

router = APIRouter()


@dataclass(frozen=True)
class DueRow:
    where: str
    history: str
    job: str | None
    sign: str
    state: str
    tone: str
    due: str
    last: str
    text: str


@dataclass(frozen=True)
class DuePage:
    """``/due``: the next service of every compartment, most urgent first. zone: whose day today is."""

    today: str
    zone: str
    rows: Sequence[DueRow]


@dataclass(frozen=True)
class ExpectedRow:
    """weight: how far the shop's own jobs have moved the figure from the listed one, 0 to 100 %."""

    where: str
    history: str
    type: str
    capacity: str
    method: str
    expected: str
    words: str
    weight: str


@dataclass(frozen=True)
class ExpectedPage:
    """``/expected``: what every compartment should take, and what that rests on."""

    rows: Sequence[ExpectedRow]


def _history(vehicle: str) -> str:
    return f"/jobs?{urlencode({'vehicle': vehicle})}"


def due_page(services: Sequence[service.Service], today: date, zone: tzinfo) -> DuePage:
    return DuePage(f"{today}", days.zone_name(zone), [_due_row(one) for one in services])


def _due_row(one: service.Service) -> DueRow:
    sign, state = STATES[one.state]
    due = [one.due_date] if one.due_date is not None else []
    if one.due_km is not None:
        due.append(format_distance(one.due_km))
    return DueRow(
        where=f"{one.vehicle} · {one.compartment}",
        history=_history(one.vehicle),
        job=None if one.short_job is None else f"/jobs/{quote(one.short_job)}",
        sign=sign,
        state=state,
        tone={"ok": "ok", "unknown": "none"}.get(one.state, "look"),
        due=" or ".join(due) or fmt.UNKNOWN,
        last=fmt.day(one.last_utc),
        text=one.text,
    )


def _services(engine: Station) -> tuple[list[service.Service], date, tzinfo]:
    zone = engine.settings().zone
    today = days.today(zone)
    with engine.reading() as ledger:
        return service.overview(ledger, engine.catalogue(), today, zone=zone), today, zone


@router.get("/due")
def due(engine: Station) -> Response:
    return page_of("due.html", due_page(*_services(engine)))


@router.get("/due.json")
def due_json(engine: Station) -> Response:
    services, today, zone = _services(engine)
    rows = service.table(services, zone)
    return JSONResponse({"today": f"{today}", "time_zone": days.zone_name(zone), "due": rows})


@router.get("/due.csv")
def due_csv(engine: Station) -> Response:
    services, today, zone = _services(engine)
    return download(to_csv(service.table(services, zone), service.COLUMNS), f"due-{today}.csv", "text/csv")


def _expected_row(row: Mapping[str, Any]) -> ExpectedRow:
    return ExpectedRow(
        where=f"{row['vehicle']} · {row['compartment']}",
        history=_history(row["vehicle"]),
        type=row["type"] or fmt.UNKNOWN,
        capacity=row["capacity"],
        method=row["method"],
        expected=str(fmt.litres(row["expected_fill_l"], row["expected_fill_u95_l"])),
        words=row["words"],
        weight=fmt.share(row["weight"]),
    )


def _expected(engine: Station) -> list[dict[str, Any]]:
    settings = engine.settings()
    with engine.reading() as ledger:
        return expected.overview(ledger, settings.compartments.values(), settings.country)


@router.get("/expected")
def expected_fills(engine: Station) -> Response:
    return page_of("expected.html", ExpectedPage([_expected_row(row) for row in _expected(engine)]))


@router.get("/expected.json")
def expected_json(engine: Station) -> Response:
    return JSONResponse({"expected": _expected(engine)})


@router.get("/expected.csv")
def expected_csv(engine: Station) -> Response:
    return download(to_csv(_expected(engine), expected.COLUMNS), "expected.csv", "text/csv")
