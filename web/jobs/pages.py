"""Everything that is read: pages, their JSON twins, the event stream, downloads. None of it changes anything."""

import re
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Request
from sse_starlette.sse import EventSourceResponse
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, PlainTextResponse, Response

from station.common.tabular import to_csv
from station.record.ledger import JOB_COLUMNS
from web.frame.port import Engine
from web.frame.problem import Problem
from web.frame.render import HERE, render
from web.jobs import contexts
from web.jobs.findings import found
from web.live.hub import Hub

PER_PAGE = 50
PING_S = 15
SEND_TIMEOUT_S = 5.0

router = APIRouter()


def _engine(request: Request) -> Engine:
    engine: Engine = request.app.state.engine
    return engine


def _hub(request: Request) -> Hub:
    hub: Hub = request.app.state.hub
    return hub


Station = Annotated[Engine, Depends(_engine)]
TheHub = Annotated[Hub, Depends(_hub)]
Before = Annotated[str | None, Query(max_length=100)]
Vehicle = Annotated[str | None, Query(max_length=200)]
Limit = Annotated[int, Query(ge=1, le=10_000)]


def page_of(template: str, page: object) -> HTMLResponse:
    return HTMLResponse(render(template, page=page))


def job_of(engine: Engine, job_id: str) -> dict[str, Any]:
    try:
        return engine.job(job_id)
    except KeyError:
        raise Problem(
            404, "No such job", f"There is no job {job_id[:60]!r} in the ledger. See the job list."
        ) from None


def _simulated(engine: Engine) -> bool:
    return engine.backend == "simulated"


@router.get("/")
def bay(engine: Station, hub: TheHub) -> Response:
    page = contexts.bay_page(hub.newest(), engine.plan_options(), engine.catalogue(), _simulated(engine))
    return page_of("bay.html", page)


@router.get("/wall")
def wall(engine: Station, hub: TheHub, dark: str | None = None) -> Response:
    return page_of("wall.html", contexts.WallPage(hub.newest(), _simulated(engine), dark is not None))


@router.get("/view.json")
def view_json(engine: Station) -> Response:
    return JSONResponse(engine.view())


@router.get("/live")
async def live(hub: TheHub) -> Response:
    """The newest view, pushed whenever there is a newer one."""
    return EventSourceResponse(hub.events(), ping=PING_S, send_timeout=SEND_TIMEOUT_S)


@router.get("/jobs")
def jobs(engine: Station, before: Before = None, vehicle: Vehicle = None) -> Response:
    rows = engine.jobs(PER_PAGE + 1, before, vehicle)
    return page_of("jobs.html", contexts.jobs_page(rows, PER_PAGE, before, vehicle))


@router.get("/jobs.json")
def jobs_json(
    engine: Station, before: Before = None, vehicle: Vehicle = None, limit: Limit = PER_PAGE
) -> Response:
    return JSONResponse({"jobs": engine.jobs(limit, before, vehicle)})


@router.get("/jobs.csv")
def jobs_csv(
    engine: Station, before: Before = None, vehicle: Vehicle = None, limit: Limit = PER_PAGE
) -> Response:
    return download(to_csv(engine.jobs(limit, before, vehicle), JOB_COLUMNS), "jobs.csv", "text/csv")


@router.get("/jobs/{job_id}.json")
def job_json(engine: Station, job_id: str) -> Response:
    job = job_of(engine, job_id)
    return JSONResponse({**job, **found(engine, job)})


@router.get("/jobs/{job_id}/sheet")
def sheet(engine: Station, job_id: str) -> Response:
    return page_of("sheet.html", contexts.sheet_page(job_of(engine, job_id)))


@router.get("/jobs/{job_id}/recording.csv")
def recording(engine: Station, job_id: str) -> Response:
    job = job_of(engine, job_id)
    return download(engine.recording_csv(job["job_id"]), f"{job['job_id']}.csv", "text/csv")


@router.get("/jobs/{job_id}/JOB.toml")
def job_toml(engine: Station, job_id: str) -> Response:
    job = job_of(engine, job_id)
    return download(engine.job_toml(job["job_id"]), f"{job['job_id']}.toml", "application/toml")


@router.get("/jobs/{job_id}")
def job_page(engine: Station, job_id: str) -> Response:
    job = job_of(engine, job_id)
    return page_of("job.html", contexts.job_page(job, found(engine, job)))


def download(text: str, name: str, media_type: str) -> Response:
    safe = re.sub(r"[^A-Za-z0-9._-]", "_", name)
    return PlainTextResponse(
        text, media_type=media_type, headers={"Content-Disposition": f'attachment; filename="{safe}"'}
    )


@router.get("/bench/truth.json")
def truth(engine: Station) -> Response:
    """What the simulation knows, for whoever wants to check the station."""
    if not _simulated(engine):
        raise Problem(
            404, "No bench here", "A real bay has no bench panel and knows no truth but its measurements."
        )
    return JSONResponse(engine.truth())


@router.get("/favicon.ico")
def favicon() -> Response:
    return FileResponse(HERE / "static" / "favicon.svg", media_type="image/svg+xml")
