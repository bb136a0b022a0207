"""What each page is given. A template reads these and nothing else."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from math import isfinite
from urllib.parse import urlencode

from calibration.budget import Budget as Doubt
from station.common.words import N_, _
from station.given.report import Report
from station.learning import reason
from station.record import archive
from station.record.archive import JobRecord
from station.record.ledger import JobRow as Listed
from station.record.rows import NO_VERDICT
from web.frame import about, words
from web.frame import format as fmt
from web.frame.listing import Asked, Listing
from web.jobs import pump_runs
from web.jobs.findings import Fact, Findings, Found, findings
from web.live import pan_steps, witnesses
from web.live.witnesses import WitnessLine

BAR_WIDTH = 100.0
OUTCOMES = (N_("full"), N_("short"), N_("over"), N_("undecided"), N_("no verdict"))
"""What a list says that a job came to, beside the stages."""
TERMS = (
    N_("indication"), N_("scale slope"), N_("creep and drift"), N_("nonlinearity"), N_("cell temperature"),
    N_("zero wander"), N_("fluid density"), N_("air density"), N_("pulse count"), N_("K-factor"), N_("slip"),
    N_("meter body"), N_("fluid expansion"), N_("fluid temperature"), N_("metered"), N_("overflow"),
    N_("second pan"),
)  # fmt: skip
"""What a budget's terms are called, and the quantities before them where one is made of two."""
EVENTS = (
    N_("notice"), N_("stage"), N_("clock"), N_("note"), N_("check"), N_("abandoned"), N_("mark"), N_("taken back"),
    N_("step"), N_("answer"), N_("container"), N_("container weighed"), N_("purge"), N_("override"), N_("resumed"),
    N_("pan placed"), N_("stands level"), N_("drain open"), N_("drain done"), N_("reseal done"), N_("hose full"),
    N_("fill start"),
    N_("level seen"), N_("lip proof"), N_("fill done"), N_("plug in"), N_("close"), N_("abandon"), N_("take back"),
)  # fmt: skip
"""Kinds of what happened in a job, and the marks as the record keeps them."""
MANY_DOF = 1000.0
"""So many degrees of freedom are as good as endless, and not worth their digits."""


@dataclass(frozen=True)
class JobRow:
    """One job of the list."""

    job_id: str
    opened: str
    stage: str
    vehicle: str
    compartment: str
    technician: str
    grade: str
    expected: str
    drained: str
    filled: str
    verdict: str
    sign: str
    tone: str


@dataclass(frozen=True)
class JobsPage:
    """``/jobs``: newest first. vehicle: whose jobs these are, "" for all."""

    rows: Sequence[JobRow]
    vehicle: str
    list: Listing


@dataclass(frozen=True)
class BudgetBar:
    """One source of doubt. width: its share of the variance, 0 to 100."""

    name: str
    u: str
    share: str
    dof: str
    width: float


@dataclass(frozen=True)
class Budget:
    title: str
    value: str
    coverage: str
    bars: Sequence[BudgetBar]


@dataclass(frozen=True)
class Entry:
    """A line of the record. by: who was signed in, "" where nobody was."""

    when: str
    kind: str
    text: str
    by: str


@dataclass(frozen=True)
class Judged:
    """What a job came to. reason: what happened where the fill is not plainly full, and what comes next; who: for whom."""

    verdict: words.Verdict
    verdict_name: str
    reason: str
    who: str
    said: str
    witnesses: Sequence[WitnessLine]


@dataclass(frozen=True)
class JobPage:
    """``/jobs/{id}``: all that is known of a job. history: where the vehicle's jobs are listed."""

    job_id: str
    title: str
    history: str | None
    open: bool
    stage: str
    simulated: bool
    judged: Judged
    narrows: str
    facts: Sequence[Fact]
    figures: Sequence[Fact]
    reference: str
    runs: Sequence[pump_runs.RunLine]
    budgets: Sequence[Budget]
    notices: Sequence[str]
    events: Sequence[Entry]
    findings: Findings
    on_pan: Sequence[pan_steps.Came]


def jobs_page(rows: Sequence[Listed], asked: Asked, vehicle: str, begun: bool) -> JobsPage:
    """rows: as ``station.bay.engine.Engine.jobs``, one more than a page where there are older ones."""
    shown, frame = asked.by_key(rows, lambda row: row.job_id, begun)
    return JobsPage([_row(row) for row in shown], vehicle, frame)


def _row(row: Listed) -> JobRow:
    closed = row.stage == "closed"
    judged = closed and row.outcome != NO_VERDICT
    verdict = words.verdict(row.outcome if judged else None, 0.0, 0.0, 0.0)
    return JobRow(
        job_id=row.job_id,
        opened=fmt.moment(row.opened_utc),
        stage=row.stage,
        vehicle=row.vehicle or fmt.UNKNOWN,
        compartment=row.compartment or fmt.UNKNOWN,
        technician=row.technician or fmt.UNKNOWN,
        grade=row.grade or fmt.UNKNOWN,
        expected=str(fmt.litres(row.expected_fill_l, row.expected_fill_u95_l)),
        drained=str(fmt.litres(row.drained_l, row.drained_u95_l)),
        filled=str(fmt.litres(row.filled_l, row.filled_u95_l)),
        verdict=verdict.word if closed else _(row.outcome),
        sign=verdict.sign if closed else "",
        tone=row.outcome if judged else "none",
    )


def judged(report: Report) -> tuple[str, words.Verdict]:
    if report.filled_l is None:
        return "none", words.said(words.NO_VERDICT)
    verdict = words.verdict(report.verdict, report.p_short, report.p_within, report.p_over)
    return report.verdict, verdict


def judged_of(report: Report, told: reason.Reason | None) -> Judged:
    """told: what happened, where that is to be said."""
    name, verdict = judged(report)
    return Judged(
        verdict=verdict,
        verdict_name=name,
        reason="" if told is None else told.text,
        who="" if told is None else _(told.who),
        said=fmt.sentence(report.verdict_text),
        witnesses=witnesses.lines(report.witnesses, report.verdict),
    )


def figures_of(job: JobRecord) -> list[Fact]:
    report, origin = job.measured, job.labels.get("expected_from")
    reached = [
        (_("Drained"), fmt.litres(report.drained_l, report.drained_u95_l), about.DRAINED),
        (
            _("Left to drip"),
            fmt.volume(report.still_to_come_l, report.still_to_come_u95_l),
            about.LEFT_TO_DRIP,
        ),
        (_("Metered"), fmt.litres(report.metered_l, report.metered_u95_l), about.METERED),
        (_("Overflow"), fmt.volume(report.overflow_l, report.overflow_u95_l), about.OVERFLOW),
        (_("Filled"), fmt.litres(report.filled_l, report.filled_u95_l), about.FILLED),
        (
            _("Expected fill, {origin}").format(origin=_(origin)) if origin else _("Expected fill"),
            fmt.litres(report.expected_fill_l, report.expected_fill_u95_l),
            about.EXPECTED,
        ),
        (_("Listed capacity"), fmt.litres(report.listed_capacity_l), about.LISTED),
    ]
    facts = [Fact(label, str(shown), _(behind)) for label, shown, behind in reached]
    facts += _each_pan(report)
    if report.leak_text:
        facts.append(Fact(_("Leak watch"), _(report.leak_text).rstrip("."), _(about.LEAK)))
    return facts


def _each_pan(report: Report) -> list[Fact]:
    """A line for each of two pans, with what it has of the sums; nothing of a bay with one."""
    part = _("{drained} drained, {overflow} run over")
    return [
        Fact(
            words.source(one.source),
            part.format(
                drained=fmt.litres(one.drained_l, one.drained_u95_l),
                overflow=fmt.volume(one.overflow_l, one.overflow_u95_l),
            ),
        )
        for one in report.pans
    ]


def _leak_measured(report: Report) -> list[Fact]:
    """The figure behind the leak watch's words; older records do not have it."""
    measured = fmt.leak_rate(report.leak_l_h, report.leak_u95_l_h)
    return [] if measured is fmt.NOTHING else [Fact(_("Leak measured"), str(measured))]


def _when(utc: str, at: str, by: str, doubt: str = "") -> str:
    """When, and by whom. at: put right where the clock was set only later. doubt: of one that nothing puts right, short as a sheet is."""
    when = f"{fmt.moment(at)} ({doubt})" if doubt else fmt.moment(at)
    told = _("{when}, by {name}").format(when=when, name=by) if by else when
    if at != utc:
        return _("{when} (the clock was set later; it said {said})").format(when=told, said=fmt.moment(utc))
    return told


def _times(job: JobRecord) -> tuple[str, str]:
    """When it was opened and closed. A clock that was never set is told where the two do not go together: by another one, or backwards."""
    opened_at, closed_at = job.opened_at, job.closed_at
    if job.closed_utc is None or closed_at is None:
        return _when(job.opened_utc, opened_at, job.opened_by), fmt.UNKNOWN
    known = job.clock_synced or opened_at != job.opened_utc, job.closed_synced or closed_at != job.closed_utc
    backwards = datetime.fromisoformat(closed_at) < datetime.fromisoformat(opened_at)
    opened = closed = ""
    if backwards or known[0] != known[1]:
        opened, closed = ("" if one else _("clock not set") for one in known)
    if backwards and all(known):
        closed = _("before opening: clock wrong")
    return (
        _when(job.opened_utc, opened_at, job.opened_by, opened),
        _when(job.closed_utc, closed_at, job.closed_by, closed),
    )


def facts_of(job: JobRecord) -> list[Fact]:
    labels, (opened, closed) = job.labels, _times(job)
    named = [
        (_("Vehicle"), labels.get("vehicle")),
        (_("Compartment"), labels.get("compartment")),
        (_("Technician"), labels.get("technician")),
        (_("Opened"), opened),
        (_("Closed"), closed),
        (_("Capacity as listed"), fmt.listed(job.capacity_text)),
        (_("Emptied by"), _(job.method)),
        (_("Grade"), labels.get("grade")),
        (_("Fluid drained"), labels.get("drained_fluid")),
        (_("Fluid filled"), labels.get("fresh_fluid")),
        *_drawn_from(job),
    ]
    return [Fact(label, value or fmt.UNKNOWN) for label, value in named]


def _drawn_from(job: JobRecord) -> list[tuple[str, str]]:
    """The container that the job began with, and each that came to the pump in the middle of it."""
    drawn = [name for name in (job.labels.get("container"), *job.texts("container")) if name]
    return [(_("Drawn from"), "; ".join(drawn))] if drawn else []


def _budget(name: str, budget: Doubt) -> Budget:
    scale, unit = (1000.0, "mL") if budget.unit == "L" else (1.0, budget.unit)
    bars = [
        BudgetBar(
            name=": ".join(map(_, term.name.split(": "))),
            u=f"{fmt.significant(term.u * scale)} {unit}",
            share=fmt.share(term.share),
            dof=fmt.decimal(term.dof, 0) if isfinite(term.dof) else "∞",
            width=round(BAR_WIDTH * min(1.0, max(0.0, term.share)), 1),
        )
        for term in sorted(budget.terms, key=lambda term: term.share, reverse=True)
    ]
    stated = f"{fmt.decimal(budget.value, 3)} ± {fmt.decimal(budget.u95, 3)} {budget.unit}"
    u = f"u = {fmt.significant(budget.u * scale)} {unit}"
    coverage = _("{u}, coverage factor {k}").format(u=u, k=fmt.decimal(budget.coverage_factor, 2))
    if budget.dof < MANY_DOF:
        coverage = _("{coverage}, {n} degrees of freedom").format(
            coverage=coverage, n=fmt.decimal(budget.dof, 0)
        )
    return Budget(_(words.QUANTITIES.get(name, name)), stated, coverage, bars)


def budgets_of(report: Report) -> list[Budget]:
    return [_budget(quantity, budget) for quantity, budget in report.budgets.items()]


def title_of(job: JobRecord) -> str:
    labels = job.labels
    return f"{labels.get('vehicle') or fmt.UNKNOWN} · {labels.get('compartment') or fmt.UNKNOWN}"


def reference_of(report: Report) -> str:
    return f"{fmt.general(report.reference_temperature_c)} °C"


def _entry(event: archive.Entry) -> Entry:
    text = event.text.replace("_", " ") if event.kind in ("mark", "taken_back") else event.text
    if event.kind == "notice":  # recorded with the key of its kind before it
        text = text.partition(": ")[2] or text
    if event.kind == "note" and text.startswith(f"{reason.GIVEN}: "):  # then what was typed, left as it is
        text = _(reason.GIVEN) + text.removeprefix(reason.GIVEN)
    return Entry(fmt.moment(event.utc), _(event.kind.replace("_", " ")), _(text), event.by)


def job_page(job: JobRecord, known: Found) -> JobPage:
    """known: see ``web.jobs.findings``."""
    report = job.measured
    vehicle = job.labels.get("vehicle")
    return JobPage(
        job_id=job.job_id,
        title=title_of(job),
        history=f"/jobs?{urlencode({'vehicle': vehicle})}" if vehicle else None,
        open=job.closed_utc is None,
        stage=_(report.stage),
        simulated=job.backend == "simulated",
        judged=judged_of(report, reason.of_job(job)),
        narrows=report.narrows or "",
        facts=facts_of(job),
        figures=[*figures_of(job), *_leak_measured(report)],
        runs=pump_runs.lines(report.pump_runs),
        reference=reference_of(report),
        budgets=budgets_of(report),
        notices=[n.text for n in report.notices],
        events=[_entry(event) for event in job.events],
        findings=findings(job.job_id, known),
        on_pan=pan_steps.came(job, report.steps),
    )
