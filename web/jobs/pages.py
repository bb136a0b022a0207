"""The list of jobs, one job, its sheet and its files. Nothing changes here."""

from fastapi import APIRouter
from starlette.responses import JSONResponse, Response

from station.common.tabular import to_csv
from station.learning import reason
from station.record.ledger import JOB_COLUMNS
from web.frame.deps import Before, Limit, Station, Vehicle, download, job_of, page_of
from web.frame.problem import Problem
from web.jobs import contexts
from web.jobs.curve import drawing_of
from web.jobs.findings import found
from web.jobs.sheet import sheet_page

PER_PAGE = 50

router = APIRouter()


@router.get("/jobs")
def jobs(engine: Station, before: Before = None, vehicle: Vehicle = None) -> Response:
    rows = engine.jobs(PER_PAGE + 1, before, vehicle)
    return page_of("jobs.html", contexts.jobs_page(rows, PER_PAGE, before, vehicle))


@router.get("/jobs.json")
def jobs_json(
    engine: Station, before: Before = None, vehicle: Vehicle = None, limit: Limit = PER_PAGE
) -> Response:
    return JSONResponse({"jobs": [row.to_dict() for row in engine.jobs(limit, before, vehicle)]})


@router.get("/jobs.csv")
def jobs_csv(
    engine: Station, before: Before = None, vehicle: Vehicle = None, limit: Limit = PER_PAGE
) -> Response:
    rows = [row.to_dict() for row in engine.jobs(limit, before, vehicle)]
    return download(to_csv(rows, JOB_COLUMNS), "jobs.csv", "text/csv")


@router.get("/jobs/{job_id}.json")
def job_json(engine: Station, job_id: str) -> Response:
    job = job_of(engine, job_id)
    told = reason.of_job(job)
    known = {**job.to_dict(), **found(engine, job).to_dict()}
    return JSONResponse({**known, "reason": None if told is None else told.to_dict()})


@router.get("/jobs/{job_id}/sheet")
def sheet(engine: Station, job_id: str) -> Response:
    job = job_of(engine, job_id)
    note = engine.checkpoint(job.job_id)
    return page_of("sheet.html", sheet_page(job, drawing_of(engine, job), note))


@router.get("/jobs/{job_id}/checkpoint")
def checkpoint(engine: Station, job_id: str) -> Response:
    """The signed checkpoint of a closed job, byte for byte: what ``tallypan verify --against`` is given."""
    job = job_of(engine, job_id)
    note = engine.checkpoint(job.job_id)
    if note is None:
        raise Problem(
            404, "No checkpoint", "This job is open, or was closed before the station signed for its record."
        )
    return download(note, f"{job.job_id}.checkpoint", "text/plain")


@router.get("/jobs/{job_id}/recording.csv")
def recording(engine: Station, job_id: str) -> Response:
    job = job_of(engine, job_id)
    return download(engine.recording_csv(job.job_id), f"{job.job_id}.csv", "text/csv")


@router.get("/jobs/{job_id}/JOB.toml")
def job_toml(engine: Station, job_id: str) -> Response:
    job = job_of(engine, job_id)
    return download(engine.job_toml(job.job_id), f"{job.job_id}.toml", "application/toml")


@router.get("/jobs/{job_id}")
def job_page(engine: Station, job_id: str) -> Response:
    job = job_of(engine, job_id)
    return page_of("job.html", contexts.job_page(job, found(engine, job)))
