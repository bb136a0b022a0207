"""A job on one page of paper: what the customer takes along, and what an auditor holds against the record."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import segno
from markupsafe import Markup

from station.bay.identity import short
from station.record.archive import JobRecord
from web.frame import format as fmt
from web.frame import words
from web.jobs.contexts import facts_of, figures_of, judged, reference_of, title_of
from web.jobs.findings import Fact, noted_torque
from web.jobs.still import Still
from web.live import pan_steps, witnesses


@dataclass(frozen=True)
class Checkpoint:
    """The station's signature under all that it had recorded when the job was closed. text: the signed note as it is held
    against the record; drawing: the same as a QR code, an ``svg`` element."""

    text: str
    drawing: Markup

    @classmethod
    def of(cls, note: str) -> Self:
        code = segno.make_qr(note, error="l").svg_inline(
            omitsize=True, border=2, svgclass="qr", lineclass=None
        )
        return cls(note.strip(), Markup(code))


@dataclass(frozen=True)
class SheetPage:
    """``/jobs/{id}/sheet``: one page of paper for the customer. software: that measured; "" where no result names it.
    checkpoint: None where the job has none."""

    job_id: str
    title: str
    open: bool
    stage: str
    simulated: bool
    verdict: words.Verdict
    verdict_name: str
    said: str
    witnesses: str
    facts: Sequence[Fact]
    figures: Sequence[Fact]
    reference: str
    within: str
    level_seen: str
    on_pan: str
    torque: Sequence[str]
    more_torque: int
    notices: Sequence[str]
    more_notices: int
    still: Still | None
    statement: str
    software: str
    checkpoint: Checkpoint | None


SHEET_NOTICES = 2
SHEET_NOTES = 2
SHEET_LINES_BESIDE_CURVE = 3
SHEET_TEXT = 160
SHEET_NAME = 60
SHEET_TITLE = 45
"""What one page of paper holds in its worst case; see tests/journeys/test_layout.py."""


def _cut(text: str, length: int = SHEET_TEXT) -> str:
    return text if len(text) <= length else f"{text[: length - 1].rstrip()}…"


def sheet_page(job: JobRecord, drawing: Still | None = None, checkpoint: str | None = None) -> SheetPage:
    """One page holds it: what does not fit is counted, and stands in the job's record.

    drawing: of the job over time; left out where much else has to be said. checkpoint: as signed when it was closed.
    """
    report = job.measured
    name, verdict = judged(report)
    expected = report.expected_fill_l
    lower = fmt.litres(expected - report.tolerance_minus_l).number
    upper = fmt.litres(expected + report.tolerance_plus_l).number
    torque = noted_torque(job)
    notices = [_cut(n.text) for n in report.notices]
    return SheetPage(
        job_id=job.job_id,
        title=_cut(title_of(job), SHEET_TITLE),
        open=job.closed_utc is None,
        stage=report.stage,
        simulated=job.backend == "simulated",
        verdict=verdict,
        verdict_name=name,
        said=fmt.sentence(report.verdict_text),
        witnesses=witnesses.in_a_line(witnesses.lines(report.witnesses, report.verdict)),
        facts=[Fact(fact.label, _cut(fact.value, SHEET_NAME)) for fact in facts_of(job)],
        figures=figures_of(job),
        reference=reference_of(report),
        within=f"{lower} to {upper} L",
        on_pan=pan_steps.summary(report.steps),
        level_seen="yes, at the fill plug" if report.level_seen else "not recorded",
        torque=[_cut(text, SHEET_NAME) for text in torque[-SHEET_NOTES:]],
        more_torque=max(0, len(torque) - SHEET_NOTES),
        notices=notices[:SHEET_NOTICES],
        more_notices=max(0, len(notices) - SHEET_NOTICES),
        still=drawing if len(notices) + len(torque) <= SHEET_LINES_BESIDE_CURVE else None,
        statement=words.NOT_FOR_TRADE,
        software=short(job.software) if job.software else "",
        checkpoint=None if checkpoint is None else Checkpoint.of(checkpoint),
    )
