"""Jobs of all bays: the list, and one of them with everything that its bay recorded."""

import json
from collections.abc import Sequence
from dataclasses import replace
from typing import Annotated, Any

from fastapi import APIRouter, Query
from starlette.responses import Response

from station.common.tabular import to_csv
from station.common.words import N_, _, ngettext
from station.errors import InputError
from station.given.report import Report
from station.learning import over_many
from station.record.many import queries
from station.record.many.exporting import HAS_PARQUET, MOST, columns, to_parquet, told
from station.record.many.finding import LOOKED, After, Found, look, look_through
from station.record.many.queries import JobLine, Told, scope_of
from station.record.many.store import page_of
from web.frame import format as fmt
from web.frame.deps import download
from web.frame.listing import PER_PAGE, Field
from web.frame.listing import Asked as AskedFor
from web.frame.listing import Link as ListLink
from web.frame.problem import Problem
from web.jobs.contexts import judged_of
from web.shop.many.asked import Asked, ReadingDb, Shops, TheAsked, TheShops
from web.shop.many.comparing import job_address
from web.shop.many.contexts import (
    PARQUET,
    Cell,
    Link,
    ManyPage,
    Section,
    files,
    months_of,
    percent,
    pick,
    span,
    tabs,
)
from web.shop.many.lacking import lacking
from web.shop.many.printed import many_page

router = APIRouter()
Words = Annotated[
    str,
    Query(
        alias="q",
        max_length=200,
        description="words, each in a vehicle's, a compartment's or a technician's name, or the beginning of a job's number; in quotes a whole name or number",
    ),
]
Verdict = Annotated[str, Query(max_length=20, description="full, short, over, undecided or abandoned")]
Behind = Annotated[str, Query(max_length=200, description="of the last job of the page before")]
KEYS = ("mark", "taken_back")
"""Kinds of entries whose text is a key."""
TONES = {"full": "ok", "short": "look", "over": "look"}
FIGURES = (
    (N_("Drained"), "drained_l", "drained_u95_l"),
    (N_("Metered"), "metered_l", ""),
    (N_("Overflow"), "overflow_l", "overflow_u95_l"),
    (N_("Filled"), "filled_l", "filled_u95_l"),
    (N_("Expected"), "expected_fill_l", "expected_fill_u95_l"),
    (N_("Listed capacity"), "listed_capacity_l", ""),
)


class Opened(Cell):
    """A moment, which stands in one line."""

    @property
    def tie(self) -> bool:
        return True


def behind(text: str) -> After | None:
    """Raises InputError for what no list gave."""
    if not text:
        return None
    try:
        utc, shop, bay, seq = text.split("~")
        return After(utc, shop, bay, int(seq))
    except ValueError:
        raise InputError(
            _("before is {text!r}; expected what a page of the list gave.").format(text=text[:60])
        ) from None


def _row(asked: Asked, line: JobLine) -> list[Cell]:
    return [
        Opened(asked.shops.moment(line.shop, line.opened_utc), job_address(line)),
        Cell(f"{line.shop} · {line.bay}"),
        Cell(f"{line.vehicle or fmt.UNKNOWN} · {line.compartment or fmt.UNKNOWN}"),
        Cell(line.technician or fmt.UNKNOWN),
        Cell(asked.fluid(line.fluid)),
        Cell(str(fmt.litres(line.filled_l, line.filled_u95_l)), amount=True),
        percent(line.deviation_percent, 1),
        Cell(_(line.verdict if line.stage == "closed" else line.stage), tone=TONES.get(line.verdict, "none")),
    ]


def _key(job: JobLine | After) -> str:
    utc = job.utc if isinstance(job, After) else job.opened_utc
    return f"{utc}~{job.shop}~{job.bay}~{job.seq}"


def _section(asked: Asked, found: Found, words: str, verdict: str, begun: bool) -> Section:
    """found: one more than a page where there are older ones."""
    shop = pick("/jobs", asked)
    names = [(name, _(name)) for name in ("full", "short", "over", "undecided", "abandoned")]
    form = AskedFor(
        "/jobs",
        _("Vehicle, compartment, technician or number"),
        words,
        [
            Field("verdict", _("Verdict"), verdict, [("", _("any")), *names]),
            *([shop.fields[0]] if shop else []),
        ],
        [("month", asked.month), ("months", f"{asked.months}"), *([] if shop else [("shop", asked.shop)])],
        [(one.text, one.address.partition("?")[0]) for one in files("/jobs", asked)],
    )
    shown, frame = form.by_key(found.jobs, _key, begun)
    hint = ""
    if found.edge is not None:
        hint = _(
            "The newest {n} jobs were looked through, back to {moment}. Go on for older ones, ask for fewer months or one shop, or "
            "take a file: it is looked through whole."
        ).format(n=fmt.thousands(LOOKED), moment=asked.shops.moment(found.edge.shop, found.edge.utc))
        further = ListLink(_("Go on looking"), form.link(before=_key(found.edge)))
        count = _("{n} shown").format(n=len(shown))
        frame = replace(frame, pages=[*frame.pages, further], count=count)
    return Section(
        _("Jobs, the newest first"),
        hint,
        (_("Opened"), _("Bay"), _("Where"), _("Technician"), _("Fluid"), _("Filled"), _("Off"), _("Verdict")),
        [_row(asked, line) for line in shown],
        _("No job fits what was asked for.") if found.edge is None else _("None of these fits."),
        listing=frame,
    )


@router.get("/jobs", include_in_schema=False)
def jobs(
    db: ReadingDb, asked: TheAsked, words: Words = "", verdict: Verdict = "", before: Behind = ""
) -> Response:
    found = look(db, asked.scope, PER_PAGE + 1, behind(before), words, verdict, LOOKED)
    section = _section(asked, found, words, verdict, not before)
    title = _("Jobs {month}").format(month=months_of(asked))
    page = ManyPage(title, _("Of all bays."), tabs("/jobs", asked), [section])
    return many_page(lacking(page, db, asked), asked.shops, asked.scope.shops)


@router.get("/jobs.json", tags=["read"])
def jobs_json(
    db: ReadingDb, asked: TheAsked, words: Words = "", verdict: Verdict = "", before: Behind = ""
) -> list[JobLine]:
    """Jobs, newest first, at most 10,000."""
    return look_through(db, asked.scope, MOST, behind(before), words, verdict)


@router.get("/jobs.csv", include_in_schema=False)
def jobs_csv(
    db: ReadingDb, asked: TheAsked, words: Words = "", verdict: Verdict = "", before: Behind = ""
) -> Response:
    rows = list(map(told, look_through(db, asked.scope, MOST, behind(before), words, verdict)))
    return download(to_csv(rows, list(columns(JobLine))), f"jobs-{span(asked)}.csv", "text/csv")


def jobs_parquet(
    db: ReadingDb, asked: TheAsked, words: Words = "", verdict: Verdict = "", before: Behind = ""
) -> Response:
    found = look_through(db, asked.scope, MOST, behind(before), words, verdict)
    return download(to_parquet(JobLine, found), f"jobs-{span(asked)}.parquet", PARQUET)


if HAS_PARQUET:
    router.add_api_route("/jobs.parquet", jobs_parquet, include_in_schema=False)


def _one(db: ReadingDb, shops: Shops, shop: str, bay: str, job_id: str) -> tuple[JobLine, Sequence[Told]]:
    found = queries.job(db, shop, bay, job_id) if shop in shops.zones else None
    if found is None:
        raise Problem(
            404,
            _("No such job"),
            _("There is no job {job_id!r} of {shop}, {bay}. See the list.").format(
                job_id=job_id[:60], shop=shop[:40], bay=bay[:40]
            ),
        )
    return found


def _fluid(db: ReadingDb, shops: Shops, shop: str, fluid: str | None) -> str | None:
    scope = scope_of(shops.company, [shop], "", 1, ())
    return queries.fluids(db, scope).get(fluid or "", fluid)


def _told(entry: Told) -> str:
    body = json.loads(entry.body)
    text = body.get("text") if isinstance(body, dict) else None
    return "" if not isinstance(text, str) else text.replace("_", " ") if entry.kind in KEYS else text


def _figures(report: Report | None) -> list[list[Cell]]:
    return [
        [
            Cell(_(name)),
            Cell(str(fmt.litres(getattr(report, value), getattr(report, doubt, None))), amount=True),
        ]
        for name, value, doubt in FIGURES
        if getattr(report, value, None) is not None
    ]


@router.get("/jobs/{shop}/{bay}/{job_id}.json", tags=["read"])
def job_json(db: ReadingDb, shops: TheShops, shop: str, bay: str, job_id: str) -> dict[str, Any]:
    """One job: its line, every entry of its record as its bay wrote it, and whether its bay has let its raw samples go."""
    line, entries = _one(db, shops, shop, bay, job_id)
    gone = queries.let_go(db, shop, bay, job_id)
    return {
        "job": told(line),
        "samples_let_go": gone and vars(gone),
        "entries": [{**vars(one), "body": json.loads(one.body)} for one in entries],
    }


@router.get("/jobs/{shop}/{bay}/{job_id}", include_in_schema=False)
def job(db: ReadingDb, shops: TheShops, shop: str, bay: str, job_id: str) -> Response:
    line, entries = _one(db, shops, shop, bay, job_id)
    page = page_of(db, shop, bay)
    gone, hint = queries.let_go(db, shop, bay, job_id), _("± is U95.")
    if gone is not None:
        hint += " " + _(
            "Its bay let the raw samples of this job go on {moment}, by its rule for old ones: there is no curve of it any more. Figures and entries stay."
        ).format(moment=shops.moment(shop, gone.utc))
    at_the_bay = (
        _("Its sheet, at the bay itself") if gone else _("Its curve and its sheet, at the bay itself")
    )
    own = [Link(at_the_bay, f"{page.rstrip('/')}/jobs/{job_id}")] if page else []
    files = [*own, Link("JSON", f"{job_address(line)}.json")]
    said = [
        [Cell(shops.moment(shop, e.utc)), Cell(_(e.kind.replace("_", " "))), Cell(_(text))]
        for e in entries
        if (text := _told(e))
    ]
    ending = over_many.ending((e.kind, e.body) for e in entries)
    named = [
        (_("Technician"), line.technician),
        (_("Meter"), line.meter),
        (_("Fluid"), _fluid(db, shops, shop, line.fluid)),
        (_("Opened"), shops.moment(shop, line.opened_utc)),
    ]
    sections = [
        Section(
            _("Figures"),
            hint,
            (_("Figure"), _("Volume")),
            _figures(ending.report if ending else None),
            _("It was given up before it was measured."),
            files,
        ),
        Section(
            _("Job"), "", (_("What"), _("Says")), [[Cell(a), Cell(b or fmt.UNKNOWN)] for a, b in named], ""
        ),
        Section(
            _("What its bay recorded"),
            "",
            (_("When"), _("What"), _("Says")),
            (),
            _("Nothing that has a text."),
            fold=ngettext("{n} entry", "{n} entries", len(said)).format(n=len(said)),
            folded=said,
        ),
    ]
    where = f"{line.vehicle or fmt.UNKNOWN} · {line.compartment or fmt.UNKNOWN}"
    under = f"{_('Job {job_id}').format(job_id=job_id)}, {line.shop} · {line.bay}, {fmt.dated(str(line.day))}, {_(line.stage)}"
    judged = None if ending is None else judged_of(ending.report, ending.reason)
    return many_page(ManyPage(where, under, [], sections, judged=judged), shops, [shop])
