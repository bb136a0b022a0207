"""What is read of the bay as it is now: its page, the wall, the event stream, the newest view. Nothing changes here."""

from typing import Annotated

from fastapi import APIRouter, Depends, Request
from starlette.responses import FileResponse, JSONResponse, Response

from station.common.words import _
from station.learning.history import last_service_utc
from web.frame import format as fmt
from web.frame.deps import Station, is_simulated, page_of, streamed
from web.frame.problem import Problem
from web.frame.render import HERE
from web.live import contexts
from web.live.hub import Hub

router = APIRouter()


def _hub(request: Request) -> Hub:
    hub: Hub = request.app.state.hub
    return hub


TheHub = Annotated[Hub, Depends(_hub)]


@router.get("/")
def bay(engine: Station, hub: TheHub) -> Response:
    options = engine.plan_options()
    listed = [(c.vehicle, c.compartment) for c in options.compartments]
    with engine.reading() as ledger:
        served = {pair: last_service_utc(ledger, *pair) for pair in listed}
    last = {pair: _("last done {day}").format(day=fmt.day(utc)) for pair, utc in served.items() if utc}
    page = contexts.bay_page(hub.newest(), options, last, engine.catalogue(), is_simulated(engine))
    return page_of("bay.html", page)


@router.get("/wall")
def wall(engine: Station, hub: TheHub, dark: str | None = None) -> Response:
    return page_of("wall.html", contexts.WallPage(hub.newest(), is_simulated(engine), dark is not None))


@router.get("/view.json")
def view_json(engine: Station) -> Response:
    return JSONResponse(engine.view().to_dict())


@router.get("/live")
async def live(hub: TheHub) -> Response:
    """The newest view, pushed whenever there is a newer one."""
    return streamed(hub.events())


@router.get("/bench/truth.json")
def truth(engine: Station) -> Response:
    """What the simulation knows, for whoever wants to check the station."""
    if not is_simulated(engine):
        raise Problem(
            404,
            _("No bench here"),
            _("A real bay has no bench panel and knows no truth but its measurements."),
        )
    return JSONResponse(engine.truth())


@router.get("/favicon.ico")
def favicon() -> Response:
    return FileResponse(HERE / "static" / "favicon.svg", media_type="image/svg+xml")
