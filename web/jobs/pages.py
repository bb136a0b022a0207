"""The list of jobs, one job, its sheet and its files. Nothing changes here."""

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Depends
from starlette.responses import JSONResponse, Response

from station.common.tabular import to_csv
from station.common.words import _
from station.learning import reason
from station.record.finding import wanted
from station.record.ledger import JOB_COLUMNS, JobRow
from station.record.rows import OUTCOMES
from web.frame.deps import Before, Limit, Station, download, job_of, page_of
from web.frame.listing import MOST, PER_PAGE, Asked, Field, From, Pick, To, Words, options
from web.frame.port import Engine
from web.frame.problem import Problem
from web.frame.render import render
from web.jobs import contexts
from web.jobs.findings import found
from web.jobs.pdf import Paper, pdf_of
from web.jobs.sheet import SheetPage, sheet_page

router = APIRouter()
TWINS = (("CSV", "/jobs.csv"), ("JSON", "/jobs.json"))


@dataclass(frozen=True)
class JobsAsked:
    """What the list of jobs can be asked for, by the same names for page, CSV and JSON. from, to: days of the shop, both
    included."""

    q: Words = ""
    vehicle: Pick = ""
    technician: Pick = ""
    container: Pick = ""
    outcome: Pick = ""
    first_day: From = ""
    last_day: To = ""
    before: Before = None

    def rows(self, engine: Engine, limit: int) -> list[JobRow]:
        names = (self.q, self.vehicle, self.technician, self.container, self.outcome)
        zone = engine.settings().zone
        return engine.jobs(limit, self.before, wanted(*names, self.first_day, self.last_day, zone))

    def form(self, engine: Engine) -> Asked:
        known = engine.catalogue()

        def named(table: str, label: str, value: str) -> Field:
            names = sorted({*(entry.key[0] for entry in known.entries[table].values()), value} - {""})
            return Field(table, label, value, options(names, _("any")))

        outcomes = [("", _("any")), *((name, _(name)) for name in OUTCOMES)]
        fields = [
            named("vehicle", _("Vehicle"), self.vehicle),
            named("technician", _("Technician"), self.technician),
            named("container", _("Container"), self.container),
            Field("outcome", _("Came to"), self.outcome, outcomes),
            Field("from", _("From"), self.first_day),
            Field("to", _("To"), self.last_day),
        ]
        return Asked("/jobs", _("Vehicle, compartment, technician or number"), self.q, fields, twins=TWINS)


Jobs = Annotated[JobsAsked, Depends()]


@router.get("/jobs")
def jobs(engine: Station, asked: Jobs) -> Response:
    rows = asked.rows(engine, PER_PAGE + 1)
    page = contexts.jobs_page(rows, asked.form(engine), asked.vehicle, asked.before is None)
    return page_of("jobs.html", page)


@router.get("/jobs.json")
def jobs_json(engine: Station, asked: Jobs, limit: Limit = MOST) -> Response:
    return JSONResponse({"jobs": [row.told() for row in asked.rows(engine, limit)]})


@router.get("/jobs.csv")
def jobs_csv(engine: Station, asked: Jobs, limit: Limit = MOST) -> Response:
    rows = [row.told() for row in asked.rows(engine, limit)]
    return download(to_csv(rows, JOB_COLUMNS), "jobs.csv", "text/csv")


@router.get("/jobs/{job_id}.json")
def job_json(engine: Station, job_id: str) -> Response:
    job = job_of(engine, job_id)
    told = reason.of_job(job)
    known = {**job.to_dict(), **found(engine, job).to_dict()}
    return JSONResponse({**known, "reason": None if told is None else told.to_dict()})


@router.get("/jobs/{job_id}/sheet")
def sheet(engine: Station, job_id: str) -> Response:
    return page_of("sheet.html", _sheet(engine, job_id))


@router.get("/jobs/{job_id}/sheet.pdf")
def sheet_pdf(engine: Station, job_id: str, paper: Paper = "a4") -> Response:
    made = pdf_of(render("sheet.html", page=_sheet(engine, job_id)), paper)
    return download(made, f"{job_id}.pdf", "application/pdf")


def _sheet(engine: Engine, job_id: str) -> SheetPage:
    return sheet_page(engine, job_of(engine, job_id).job_id)


@router.get("/jobs/{job_id}/checkpoint")
def checkpoint(engine: Station, job_id: str) -> Response:
    """The signed checkpoint of a closed job, byte for byte: what ``tallypan verify --against`` is given."""
    job = job_of(engine, job_id)
    note = engine.checkpoint(job.job_id)
    if note is None:
        raise Problem(
            404,
            _("No checkpoint"),
            _("This job is open, or was closed before the station signed for its record."),
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
