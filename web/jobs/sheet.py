"""A job on two pages of paper: one for the customer in plain words, one for whoever wants to check it."""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Self

from markupsafe import Markup

from station.common.words import N_, _
from station.core import take_back
from station.given.report import Report, Told
from station.given.shop_head import ShopHead
from station.learning import condition, reason
from station.record.archive import JobRecord
from station.shop import due
from web.frame import format as fmt
from web.frame import words
from web.jobs import contexts, plain, pump_runs
from web.jobs.contexts import facts_of, figures_of, judged, reference_of, title_of
from web.jobs.curve import drawing_of
from web.jobs.findings import Fact, noted_torque
from web.jobs.pump_runs import RunLine
from web.jobs.source import Source
from web.jobs.still import Still
from web.live import pan_steps, witnesses
from web.live.pan_steps import Came
from web.live.witnesses import WitnessLine


@dataclass(frozen=True)
class Checkpoint:
    """The station's signature under all that it had recorded when the job was closed. text: the signed note as it is held
    against the record; drawing: the same as a QR code, an ``svg`` element."""

    text: str
    drawing: Markup

    @classmethod
    def of(cls, note: str) -> Self:
        import segno  # with an XML writer and HTTP's client: for whoever wants a code drawn

        code = segno.make_qr(note, error="l").svg_inline(
            omitsize=True, border=2, svgclass="qr", lineclass=None
        )
        return cls(note.strip(), Markup(code))


@dataclass(frozen=True)
class Front:
    """For the customer. head: one sentence that a passenger understands; told: what happened, where not all went plainly.
    unfinished: of a job that is open or was given up."""

    shop: ShopHead
    served: str
    unfinished: str
    tone: str
    sign: str
    head: str
    told: str
    rows: Sequence[Fact]
    reference: str
    still: Still | None
    measured_by: str
    statement: str


@dataclass(frozen=True)
class Less:
    """A budget as it fits on paper: its largest terms; rest: what the others come to together."""

    title: str
    value: str
    coverage: str
    terms: Sequence[tuple[str, str, str]]
    rest: str


@dataclass(frozen=True)
class Back:
    """For whoever checks it. more_…: how many of a list stand in the job's record alone. software: that measured; "" where
    no result names it."""

    said: str
    verdict: str
    facts: Sequence[Fact]
    figures: Sequence[Fact]
    reference: str
    witnesses: Sequence[WitnessLine]
    narrows: str
    runs: Sequence[RunLine]
    more_runs: int
    budgets: Sequence[Less]
    on_pan: Sequence[Came]
    on_pan_said: str
    more_on_pan: int
    torque: Sequence[str]
    more_torque: int
    notices: Sequence[str]
    more_notices: int
    taken_back: Sequence[str]
    certificates: Sequence[str]
    software: str


@dataclass(frozen=True)
class SheetPage:
    """``/jobs/{id}/sheet``: two pages of paper. checkpoint: None where the job has none."""

    job_id: str
    title: str
    simulated: bool
    front: Front
    back: Back
    checkpoint: Checkpoint | None


MANY_WITNESSES = 4
TORQUES, ROWS, TERMS = 2, 5, 4
"""So many of each list, and two terms and three rows less beside more witnesses than that."""
TINY = 0.001
"""A share that is none but for rounding is still below one per cent."""
LINES, LINE = 16, 70
"""Lines of text beside which the curve still finds its place on the first page, and what stands in one."""
TAKEN_BACK = 4
WORDS = ((36, 50), (30, 40))
"""What a witness says and what would settle it, so that few take two lines and many take one each."""
NAME, TITLE, ROW = 60, 45, 120
"""What a page of paper holds in its worst case; tests/web/jobs/test_sheet.py prints that."""

ON_FRONT = (N_("Vehicle"), N_("Compartment"))
"""The title says it on both pages."""


def _next_service(source: Source, job: JobRecord) -> str:
    if job.closed_utc is None or job.measured.stage == "abandoned":
        return _("This service is not finished.")
    told = due.after_job(source.catalogue(), job, source.settings().zone)
    return told or _("see the vehicle's service manual; none is listed here")


def _rows(source: Source, job: JobRecord) -> list[Fact]:
    report, labels = job.measured, job.labels
    with source.reading() as ledger:
        noted = condition.of_job(ledger, job.job_id)
    level = _("yes, at the fill plug") if report.level_seen else _("not recorded")
    stand = (
        _("spirit level on the housing: level")
        if report.stands_level
        else _("no spirit level on the housing")
    )
    named = [
        (
            _("Came out"),
            plain.of(fmt.litres(report.drained_l, report.drained_u95_l), labels.get("drained_fluid")),
        ),
        (_("How it looked"), plain.looked(noted)),
        (_("Went in"), _went_in(report, labels.get("fresh_fluid"))),
        (_("Right amount"), plain.right(report)),
        (_("How sure"), plain.sure(report)),
        (_("Level seen"), f"{level}; {stand}"),
        (_("Leaks"), _(report.leak_text) or plain.watched(report.leak_watched_s)),
        (_("Next service"), _next_service(source, job)),
        (_("Tightened"), "; ".join(plain.cut(text, NAME) for text in noted_torque(job)[-TORQUES:])),
        (_("Done by"), labels.get("technician") or job.closed_by or fmt.UNKNOWN),
    ]
    return [
        Fact(label, text if label in (_("How it looked"), _("Next service")) else plain.cut(text))
        for label, text in named
        if text
    ]


def _went_in(report: Report, fluid: str | None) -> str:
    """The meter's figure; where other witnesses contradict it, the customer's page says so and does not only show it."""
    volume = plain.of(fmt.litres(report.filled_l, report.filled_u95_l), fluid)
    if any(one.name == "meter" and one.contradicted for one in report.witnesses):
        return _("{volume}, by the meter, which other witnesses contradict: see page 2").format(volume=volume)
    return volume


def _unfinished(job: JobRecord) -> str:
    if job.closed_utc is None:
        return _("This job is still open.")
    return _("This job was abandoned.") if job.measured.stage == "abandoned" else ""


def _number(certificate: str) -> str:
    return certificate.rsplit(" sha256:", 1)[0]


def _measured_by(job: JobRecord) -> str:
    held = [
        _("{kind} by certificate {number}").format(kind=_(kind), number=_number(text))
        for kind, text in sorted(job.certificates.items(), reverse=True)
    ]
    if not held:
        return _("Measured with the values of the bay's set-up; no certificate was in force.")
    return plain.cut(_("Measured: {what}.").format(what=", ".join(held)), 200)


def lines_of(said: str, rows: Sequence[Fact]) -> int:
    """Lines that the first page's text takes."""
    return sum(math.ceil(len(text) / LINE) for text in (said, *(row.value for row in rows)))


def _front(source: Source, job: JobRecord, drawing: Still | None) -> Front:
    report = job.measured
    tone, verdict = judged(report)
    told = reason.of_job(job)
    rows, said = _rows(source, job), "" if told is None else plain.cut(told.text, 2 * plain.TEXT)
    return Front(
        shop=source.settings().shop,
        served=fmt.day(job.closed_at or job.opened_at),
        unfinished=_unfinished(job),
        tone=tone,
        sign=verdict.sign,
        head=f"{verdict.word}. {_(plain.HEADS[tone])}",
        told=said,
        rows=rows,
        reference=reference_of(report),
        still=drawing if lines_of(said, rows) <= LINES else None,
        measured_by=_measured_by(job),
        statement=_(words.NOT_FOR_TRADE),
    )


def _less(budget: contexts.Budget, terms: int) -> Less:
    kept, others = budget.bars[:terms], budget.bars[terms:]
    rest = max(0.0, 100.0 - sum(bar.width for bar in kept))
    return Less(
        budget.title,
        budget.value,
        budget.coverage,
        [(bar.name, bar.u, bar.share) for bar in kept],
        _("{n} more, together {share}").format(n=len(others), share=fmt.share(max(rest / 100.0, TINY)))
        if others
        else "",
    )


def _each_kind_first(notices: Sequence[Told]) -> list[Told]:
    """One of each kind before any kind's second: what is told again and again leaves room for what was told once."""
    seen = Counter[str]()
    nth = []
    for notice in notices:
        nth.append((seen[notice.kind], notice))
        seen[notice.kind] += 1
    return [notice for _nth, notice in sorted(nth, key=lambda pair: pair[0])]


def _back(job: JobRecord) -> Back:
    report = job.measured
    crowd = len(report.witnesses) > MANY_WITNESSES
    rows, terms = (ROWS - 3, TERMS - 2) if crowd else (ROWS, TERMS)

    def free(listed: Sequence[object]) -> int:
        """Lines that a list leaves to the witnesses' words: rows, the line that counts the rest, and an empty one's head."""
        return 0 if len(listed) > rows else rows - len(listed) + 1 + (not listed)

    word, settles = WORDS[crowd]
    torque = [plain.cut(text, NAME) for text in noted_torque(job)]
    notices = [plain.cut(notice.text, ROW) for notice in _each_kind_first(report.notices)]
    came = pan_steps.came(job, report.steps)
    runs = pump_runs.lines(report.pump_runs)
    heard = witnesses.lines(report.witnesses, report.verdict)
    longer = sum(max((len(one.word) - 1) // word, (len(one.settles) - 1) // settles, 0) for one in heard)
    if longer <= free(notices) + free(came) + free(runs):
        word = settles = plain.TEXT
    return Back(
        said=plain.cut(fmt.sentence(report.verdict_text)),
        verdict=judged(report)[1].text,
        facts=[
            Fact(f.label, plain.cut(f.value, NAME)) for f in facts_of(job) if f.label not in map(_, ON_FRONT)
        ],
        figures=figures_of(job),
        reference=reference_of(report),
        witnesses=[
            replace(line, word=plain.cut(line.word, word), settles=plain.cut(line.settles, settles))
            for line in heard
        ],
        narrows=plain.cut(report.narrows or "", ROW),
        runs=runs[-rows:],
        more_runs=max(0, len(runs) - rows),
        budgets=[_less(one, terms) for one in contexts.budgets_of(report)],
        on_pan=came[-rows:],
        on_pan_said=pan_steps.summary(report.steps),
        more_on_pan=max(0, len(came) - rows),
        torque=torque[-TORQUES:],
        more_torque=max(0, len(torque) - TORQUES),
        notices=notices[:rows],
        more_notices=max(0, len(notices) - rows),
        taken_back=[
            _("{text}, at {time}").format(
                text=_(take_back.NAMES.get(event.text, event.text)), time=fmt.time_of_day(event.utc)
            )
            for event in job.events
            if event.kind == "taken_back"
        ][-TAKEN_BACK:],
        certificates=[
            f"{_(kind)}: {plain.cut(text, ROW)}"
            for kind, text in sorted(job.certificates.items(), reverse=True)
        ],
        software=job.software or "",
    )


def sheet_page(source: Source, job_id: str) -> SheetPage:
    """Two pages hold it: what does not fit is counted, and stands in the job's record. Raises KeyError if unknown, and
    InputError for a job without a report."""
    job = source.job(job_id)
    checkpoint = source.checkpoint(job_id)
    return SheetPage(
        job_id=job.job_id,
        title=plain.cut(title_of(job), TITLE),
        simulated=job.backend == "simulated",
        front=_front(source, job, drawing_of(source, job)),
        back=_back(job),
        checkpoint=None if checkpoint is None else Checkpoint.of(checkpoint),
    )
