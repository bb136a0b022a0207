"""The fleet, compartment by compartment: when its next change is due, and what a fill should come to."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, tzinfo
from typing import Annotated, Any
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Depends
from starlette.responses import JSONResponse, Response

from station.common import days
from station.common.distance import format_distance
from station.common.tabular import holds, to_csv
from station.common.words import N_, _
from station.learning import expected
from station.shop import due as service
from web.frame import format as fmt
from web.frame.deps import Station, download, page_of
from web.frame.listing import Asked, Field, Listing, Page, Pick, Words
from web.frame.port import Engine

STATES = {
    "short fill": ("▼", N_("short fill")),
    service.LEAKS: ("●", N_("leaks")),
    service.LOW: ("▽", N_("came in low")),
    "overdue": ("⚠", N_("overdue")),
    "due soon": ("!", N_("due soon")),
    "ok": ("✓", N_("not due")),
    "unknown": ("?", N_("unknown")),
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
    list: Listing


@dataclass(frozen=True)
class ExpectedRow:
    """weight: how far the shop's own jobs have moved the figure from the listed one, 0 to 100 %. bays: what each bay's came to;
    nothing where they are this one's alone. listed_l: the capacity in litres, where it was typed otherwise. off: how far their mean
    is from what the listing alone would have it be; far: so far that one of the two is wrong."""

    where: str
    history: str
    type: str
    capacity: str
    method: str
    expected: str
    words: str
    weight: str
    bays: Sequence[str]
    listed_l: str
    off: str
    far: bool


@dataclass(frozen=True)
class ExpectedPage:
    """``/expected``: what every compartment should take, and what that rests on."""

    rows: Sequence[ExpectedRow]
    list: Listing


def _history(vehicle: str) -> str:
    return f"/jobs?{urlencode({'vehicle': vehicle})}"


def _due_row(one: service.Service) -> DueRow:
    sign, state = STATES[one.state]
    seen = one.short_job or one.leak_job
    due = [fmt.dated(one.due_date)] if one.due_date is not None else []
    if one.due_km is not None:
        due.append(fmt.typed(format_distance(one.due_km)))
    return DueRow(
        where=f"{one.vehicle} · {one.compartment}",
        history=_history(one.vehicle),
        job=None if seen is None else f"/jobs/{quote(seen)}",
        sign=sign,
        state=_(state),
        tone={"ok": "ok", "unknown": "none"}.get(one.state, "look"),
        due=_(" or ").join(due) or fmt.UNKNOWN,
        last=fmt.day(one.last_utc),
        text=one.text,
    )


@dataclass(frozen=True)
class DueAsked:
    """What the list of services due can be asked for, by the same names for page, CSV and JSON."""

    q: Words = ""
    state: Pick = ""

    def services(self, engine: Engine) -> tuple[list[service.Service], date, tzinfo]:
        zone = engine.settings().zone
        today = days.today(zone)
        with engine.reading() as ledger:
            found = service.overview(ledger, engine.catalogue(), today, zone=zone)
        return (
            [
                one
                for one in found
                if self.state in ("", one.state) and holds(self.q, one.vehicle, one.compartment, one.text)
            ],
            today,
            zone,
        )

    def form(self) -> Asked:
        states = [("", _("any")), *((key, _(word)) for key, (_sign, word) in STATES.items())]
        field = Field("state", _("State"), self.state, states)
        twins = (("CSV", "/due.csv"), ("JSON", "/due.json"))
        return Asked("/due", _("Vehicle, compartment or reason"), self.q, [field], twins=twins)


DueList = Annotated[DueAsked, Depends()]


@router.get("/due")
def due(engine: Station, asked: DueList, page: Page = 1) -> Response:
    services, today, zone = asked.services(engine)
    shown, frame = asked.form().by_page(services, page)
    rows = [_due_row(one) for one in shown]
    return page_of("due.html", DuePage(fmt.on(today), days.zone_name(zone), rows, frame))


@router.get("/due.json")
def due_json(engine: Station, asked: DueList) -> Response:
    services, today, zone = asked.services(engine)
    rows = service.table(services, zone)
    return JSONResponse({"today": f"{today}", "time_zone": days.zone_name(zone), "due": rows})


@router.get("/due.csv")
def due_csv(engine: Station, asked: DueList) -> Response:
    services, today, zone = asked.services(engine)
    return download(to_csv(service.table(services, zone), service.COLUMNS), f"due-{today}.csv", "text/csv")


def _expected_row(row: Mapping[str, Any]) -> ExpectedRow:
    mean_l, listed_l = row["shop_mean_l"], row["listed_capacity_l"]
    off = None if mean_l is None else expected.off_listing_percent(mean_l, listed_l, row["method"])
    return ExpectedRow(
        where=f"{row['vehicle']} · {row['compartment']}",
        history=_history(row["vehicle"]),
        type=row["type"] or fmt.UNKNOWN,
        capacity=fmt.listed(row["capacity"]),
        method=_(row["method"]),
        expected=str(fmt.litres(row["expected_fill_l"], row["expected_fill_u95_l"])),
        words=_(row["words"]),
        weight=fmt.share(row["weight"]),
        bays=[_bay_line(one) for one in row["bays"]] if row["n"] > row["own_n"] else (),
        listed_l="" if row["capacity"].split()[-1:] == ["L"] else str(fmt.litres(listed_l)),
        off=fmt.UNKNOWN if off is None else fmt.percent(off),
        far=off is not None and abs(off) >= expected.FAR_PERCENT,
    )


def _bay_line(one: Mapping[str, Any]) -> str:
    """What level-proved fills of one bay came to."""
    mean = fmt.litres(one["mean_l"], one["mean_u95_l"])
    if not one["bay"]:
        return _("here: {n}, mean {mean}").format(n=one["n"], mean=mean)
    return _("{bay}: {n} from {since} to {until}, mean {mean}").format(
        bay=one["bay"],
        n=one["n"],
        mean=mean,
        since=fmt.day(one["since_utc"]),
        until=fmt.day(one["until_utc"]),
    )


def _expected(engine: Station, words: str) -> list[dict[str, Any]]:
    settings = engine.settings()
    wanted = [c for c in settings.compartments.values() if holds(words, c.vehicle, c.compartment, c.type)]
    with engine.reading() as ledger:
        return expected.overview(ledger, wanted, settings.country)


@router.get("/expected")
def expected_fills(engine: Station, q: Words = "", page: Page = 1) -> Response:
    twins = (("CSV", "/expected.csv"), ("JSON", "/expected.json"))
    asked = Asked("/expected", _("Vehicle, compartment or type"), q, twins=twins)
    shown, frame = asked.by_page(_expected(engine, q), page)
    return page_of("expected.html", ExpectedPage([_expected_row(row) for row in shown], frame))


@router.get("/expected.json")
def expected_json(engine: Station, q: Words = "") -> Response:
    return JSONResponse({"expected": _expected(engine, q)})


@router.get("/expected.csv")
def expected_csv(engine: Station, q: Words = "") -> Response:
    return download(to_csv(_expected(engine, q), expected.COLUMNS), "expected.csv", "text/csv")
