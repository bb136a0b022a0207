"""Usage, quality and calibrations over many bays, each with its twins; and the description of what programs may read."""

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta
from types import GenericAlias
from typing import Annotated, Any, get_type_hints
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Query, Request
from fastapi.openapi.utils import get_openapi
from pydantic import create_model
from starlette.responses import FileResponse, JSONResponse, RedirectResponse, Response, StreamingResponse

from station.common.days import WARN_DAYS, now
from station.common.tabular import to_csv
from station.learning import over_many, teaching
from station.learning.compared import Compared, compared
from station.learning.compared import every as every_compared
from station.learning.quality import CHART_COLUMNS, CHART_JOBS, LISTED, SubjectChart
from station.learning.teaching import Line, every
from station.record.many import certified, counts, lists, measured, people, queries, tallies
from station.record.many.certified import Certified
from station.record.many.counts import Held
from station.record.many.derive import DIMENSIONS
from station.record.many.exporting import HAS_PARQUET, MOST, Table, columns, to_parquet, told
from station.record.many.lists import BayAt, Issued
from station.record.many.measured import Point
from station.record.many.queries import JobLine, Scope
from station.record.many.store import Reporting, Store, reporting
from station.record.many.tallies import Tally
from station.shop import costs
from station.shop.counted import TABLES, Counted, each_count
from web.frame.deps import download
from web.frame.render import HERE
from web.shop.many import (
    bays_page,
    comparing,
    compartments,
    contexts,
    issues,
    jobs,
    notices_page,
    technicians,
    using,
)
from web.shop.many.asked import Asked, ReadingDb, Shop, TheAsked, TheBays, TheShops, TheStore
from web.shop.many.contexts import PARQUET, query_of, span
from web.shop.many.lacking import lacking
from web.shop.many.printed import many_page

router = APIRouter()
AfterShop = Annotated[
    str, Query(max_length=40, description="a shop; the answer goes on with those behind it")
]
Meter = Annotated[str, Query(max_length=200, description="a meter of that shop")]


@dataclass(frozen=True)
class Part:
    """Of what was asked for, as much as one answer has. headers: where it goes on (RFC 8288), if it does."""

    asked: Asked
    headers: Mapping[str, str] = field(default_factory=dict)


def _whole(asked: TheAsked) -> Part:
    return Part(asked)


def _some_shops(request: Request, asked: TheAsked, after: AfterShop = "") -> Part:
    address = f"{request.url.path}?{query_of(asked)}&"
    some, headers = _behind(asked.scope.shops, after, using.COUNTED_SHOPS_MOST, address)
    return Part(replace(asked, scope=replace(asked.scope, shops=some)), headers)


def _behind(
    shops: Iterable[str], after: str, most: int, address: str
) -> tuple[tuple[str, ...], dict[str, str]]:
    """The first shops behind one, by name, and where the answer goes on."""
    rest = sorted(shop for shop in shops if shop > after)
    some = tuple(rest[:most])
    further = f"{address}{urlencode({'after': some[-1:]}, doseq=True)}"
    return some, {} if len(some) == len(rest) else {"Link": f'<{further}>; rel="next"'}


def _add_files(name: str, table: Table) -> None:
    """The table's files, beside its page."""
    of = _some_shops if name == "missing" else _whole
    ThePart = Annotated[Part, Depends(of, scope="function")]

    def of_csv(db: ReadingDb, part: ThePart) -> Response:
        rows = list(map(told, table.rows(db, part.asked.scope, MOST)))
        reply = download(
            to_csv(rows, list(columns(table.kind))), f"{name}-{span(part.asked)}.csv", "text/csv"
        )
        reply.headers.update(part.headers)
        return reply

    def of_parquet(db: ReadingDb, part: ThePart) -> Response:
        data = to_parquet(table.kind, table.rows(db, part.asked.scope, MOST))
        reply = download(data, f"{name}-{span(part.asked)}.parquet", PARQUET)
        reply.headers.update(part.headers)
        return reply

    if HAS_PARQUET:
        router.add_api_route(f"/{name}.parquet", of_parquet, include_in_schema=False)
    if name != "usage":  # whose CSV goes out by and by
        router.add_api_route(f"/{name}.csv", of_csv, include_in_schema=False)


for _name in sorted(TABLES.keys() - {"jobs"}):  # whose files take what its list was searched for
    _add_files(_name, TABLES[_name])


@router.get("/bays.json", tags=["read"])
def bays_json(db: ReadingDb, shops: TheShops, response: Response, after: AfterShop = "") -> list[Reporting]:
    """Every bay that reports here and has not left. Of 100 shops at a time, by name: where there are more, the header Link says where it goes on
    (rel="next")."""
    some, headers = _behind(shops.zones, after, contexts.ROWS_MOST, "/bays.json?")
    response.headers.update(headers)
    return reporting(db, some)


@router.get("/bays.csv", include_in_schema=False)
def bays_csv(here: TheBays) -> Response:
    return download(to_csv(list(map(told, here)), list(columns(Reporting))), "bays.csv", "text/csv")


@router.get("/usage", include_in_schema=False)
def usage(db: ReadingDb, asked: TheAsked) -> Response:
    page = lacking(using.usage_page(asked, using.find(db, asked)), db, asked)
    return many_page(page, asked.shops, asked.scope.shops)


def _usage_model() -> Any:
    """Of what the litres are told as, from the table's own columns."""
    litres: dict[str, Any] = {name: (kind | None, ...) for name, kind in columns(queries.Use).items()}
    rows = GenericAlias(list, create_model("UseLine", **litres))
    paid_as: dict[str, Any] = {name: (kind, ...) for name, kind in get_type_hints(costs.Cost).items()}
    paid = GenericAlias(list, create_model("UseLineWithCost", **litres, **paid_as))
    both: dict[str, Any] = {"lines": (paid, ...), "days": (rows, ...)}
    return create_model("Usage", **both)


def _days(store: Store, asked: Asked) -> Iterator[list[dict[str, Any]]]:
    """Litres by day, shop, bay and fluid, a month at a time: a year of a thousand shops is half a million lines, and neither they nor
    a connection are held while somebody takes them in."""
    for month in asked.scope.by_month():
        with store.connection() as db:
            rows = queries.use_by_day(db, month)
        yield [told(one) for one in rows]


@router.get("/usage.json", tags=["read"], response_model=_usage_model())
def usage_json(db: ReadingDb, store: TheStore, asked: TheAsked) -> Response:
    """Litres by shop, bay and fluid with what they cost, and the litres by day, too."""

    def text(rows: Sequence[Mapping[str, Any]]) -> str:
        return json.dumps(rows, default=str, ensure_ascii=False)

    used = queries.use(db, asked.scope)
    paid = costs.costs(db, asked.scope, used, costs.lists_of(db, asked.scope.shops))
    lines = text([{**told(one), **cost.to_dict()} for one, cost in zip(used, paid, strict=True)])

    def parts() -> Iterator[str]:
        yield f'{{"lines":{lines},"days":['
        behind = ""
        for rows in _days(store, asked):
            if rows:
                yield f"{behind}{text(rows)[1:-1]}"
                behind = ","
        yield "]}"

    return StreamingResponse(parts(), media_type="application/json")


@router.get("/usage.csv", include_in_schema=False)
def usage_csv(store: TheStore, asked: TheAsked) -> Response:
    def parts() -> Iterator[str]:
        yield to_csv((), names)
        for rows in _days(store, asked):
            yield to_csv(rows, names).partition("\r\n")[2]

    names = list(columns(queries.Use))
    return download(parts(), f"usage-{span(asked)}.csv", "text/csv")


@router.get("/missing.json", tags=["read"])
def missing_json(
    db: ReadingDb, part: Annotated[Part, Depends(_some_shops, scope="function")], response: Response
) -> list[Counted]:
    """What each stock take says left its container beyond what is booked since the one before it, litres; what is missing most
    first. Of 20 shops at a time, by name: where there are more, the header Link says where it goes on (rel="next")."""
    response.headers.update(part.headers)
    return each_count(db, part.asked.scope)


@router.get("/stock.json", tags=["read"])
def stock_json(db: ReadingDb, asked: TheAsked) -> list[Held]:
    """What every container should hold now by its bay's books, litres."""
    return counts.stock(db, asked.scope)


def _tallies(db: ReadingDb, asked: TheAsked) -> dict[str, Sequence[Tally]]:
    return {name: tallies.tallies(db, asked.scope, name) for name in DIMENSIONS if name != "technician"}


@router.get("/quality", include_in_schema=False)
def quality(db: ReadingDb, asked: TheAsked) -> Response:
    short, over = (queries.off(db, asked.scope, verdict, LISTED) for verdict in ("short", "over"))
    counted = tallies.counts(db, asked.scope)
    last, most = now().date() + timedelta(WARN_DAYS), contexts.ROWS_MOST
    due = certified.certificates(db, asked.scope, ["meter"], last, most)
    found = comparing.Found(
        short,
        over,
        over_many.reasons(db, [*short, *over]),
        over_many.shared(counted),
        compared(counted, tallies.by_month(db, asked.scope, "fluid"), comparing.FOLDED_MOST),
        _charts(db, asked),
        due,
        len(due) if len(due) < most else certified.counted(db, asked.scope, ["meter"], last),
        compartments.found(db, asked),
    )
    page = lacking(comparing.quality_page(asked, found), db, asked)
    return many_page(page, asked.shops, asked.scope.shops)


def _charts(db: ReadingDb, asked: Asked) -> comparing.Charts | None:
    many = len(asked.scope.shops) > comparing.METERS_SHOPS_MOST
    return None if many else over_many.meter_charts(db, asked.scope)


@router.get("/comparisons.json", tags=["read"])
def comparisons_json(db: ReadingDb, asked: TheAsked) -> list[Compared]:
    """Shops, bays, fluids, types of compartment and meters against their sisters, with n, limits and what may be said."""
    return every_compared(db, asked.scope)


@router.get("/quality.json", tags=["read"])
def quality_json(db: ReadingDb, asked: TheAsked) -> dict[str, list[JobLine] | list[Tally]]:
    """Short and over fills, the worst first, and closed jobs by what they share."""
    fills: dict[str, list[JobLine] | list[Tally]] = {
        verdict: queries.off(db, asked.scope, verdict, LISTED) for verdict in ("short", "over")
    }
    return {**fills, **{name: list(found) for name, found in _tallies(db, asked).items()}}


@router.get("/quality/meter", include_in_schema=False)
def meter(db: ReadingDb, asked: TheAsked, meter: Meter) -> Response:
    page = comparing.meter_page(asked, meter, _of_meter(db, asked, meter))
    return many_page(page, asked.shops, asked.scope.shops)


@router.get("/quality/meter.json", tags=["read"])
def meter_json(db: ReadingDb, asked: TheAsked, meter: Meter) -> list[Point]:
    """The newest values of a meter's control chart by proved levels, oldest first; a contradicted one is left out of the chart."""
    return measured.points(db, _shop_alone(asked), "by level", CHART_JOBS, meter)


@router.get("/quality/meter.csv", include_in_schema=False)
def meter_csv(db: ReadingDb, asked: TheAsked, meter: Meter) -> Response:
    rows = [{"chart": one.dimension, **p} for one in _of_meter(db, asked, meter) for p in one.points()]
    return download(to_csv(rows, ["chart", *CHART_COLUMNS]), f"meter-{span(asked)}.csv", "text/csv")


def _shop_alone(asked: Asked) -> Scope:
    return replace(asked.scope, shops=(asked.shop,) if asked.shop else ())


def _of_meter(db: ReadingDb, asked: Asked, meter: str) -> list[SubjectChart]:
    return over_many.meter_charts(db, _shop_alone(asked), meter).get((asked.shop, meter), [])


@router.get("/lists", include_in_schema=False)
def shops_lists(db: ReadingDb, here: TheBays, shops: TheShops, shop: Shop = "") -> Response:
    if shop in shops.zones:  # picked among many
        return RedirectResponse(f"/lists/{shop}", 303)
    named = list(shops.zones)
    differed = people.bays_at(db, named)
    issued, met = lists.issued(db, named), lists.bays_at(db, named)
    fills = [one for one in every(db, named) if one.n]
    listed = teaching.listed(db, fills[: issues.SHOWN])
    return many_page(issues.lists_page(issued, met, differed, here, fills, listed, shops), shops)


@router.get("/lists.json", tags=["read"])
def shops_lists_json(db: ReadingDb, shops: TheShops) -> dict[str, list[Issued] | list[BayAt] | list[Line]]:
    """What was changed in the shops' lists, what their bays made of it, and what each bay tells its sisters of its fills."""
    named = list(shops.zones)
    return {
        "issues": lists.issued(db, named),
        "bays": [*lists.bays_at(db, named), *people.bays_at(db, named)],
        "fills": every(db, named),
    }


@router.get("/lists.csv", include_in_schema=False)
def shops_lists_csv(db: ReadingDb, shops: TheShops) -> Response:
    """Where bays had said something else."""
    rows = issues.differed(lists.bays_at(db, list(shops.zones)))
    return download(to_csv(rows, issues.DIFFERED), "lists.csv", "text/csv")


@router.get("/calibrations", include_in_schema=False)
def calibrations(db: ReadingDb, asked: TheAsked) -> Response:
    charts, most = _charts(db, asked), contexts.ROWS_MOST
    off = None if charts is None else comparing.off_meters(charts)
    # without charts no certificate comes before one that ends sooner
    found = certified.certificates(db, asked.scope, most=most if off is None else None)
    none, total = certified.without(db, asked.scope, most), certified.counted(db, asked.scope)
    page = contexts.calibrations_page(asked, found, none, total, now(), off or {})
    return many_page(page, asked.shops, asked.scope.shops)


@router.get("/calibrations.json", tags=["read"])
def calibrations_json(db: ReadingDb, asked: TheAsked) -> list[Certified]:
    """The certificate that counts of every instrument, the soonest to end on top."""
    return certified.certificates(db, asked.scope)


@router.get("/api/openapi.json", include_in_schema=False)
def reference(request: Request) -> Response:
    """What programs may read here, as OpenAPI."""
    every = (
        bays_page.router,
        router,
        compartments.router,
        technicians.router,
        jobs.router,
        notices_page.router,
    )
    routes = [route for one in every for route in one.routes if "read" in getattr(route, "tags", ())]
    return JSONResponse(get_openapi(title=request.app.title, version="1", routes=routes))


@router.get("/health", include_in_schema=False)
def health(request: Request, store: TheStore) -> Response:
    """Not well also where the newest batch could not be kept: a disk that is full, or a copy that only reads, shows every page."""
    bays, refused = store.how_many_bays()
    ok: bool = request.app.state.takes
    return JSONResponse({"ok": ok, "bays": bays, "refused": refused}, 200 if ok else 503)


@router.get("/favicon.ico", include_in_schema=False)
def favicon() -> Response:
    return FileResponse(HERE / "static" / "favicon.svg", media_type="image/svg+xml")
