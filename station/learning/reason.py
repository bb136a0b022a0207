"""What happened in a job that is not plainly full, and who should do what next: one sentence, the gravest thing first.

``station.learning.why`` looks for causes in the shop's past; this tells what the job's own record says. It serves the
bay page before the job is closed, the job's page, and the lists of short fills.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, fields
from typing import Any

from station.common.digits import litres, number
from station.common.sentences import inside, listed
from station.common.words import N_, _
from station.given.pump_run import PumpRun
from station.given.report import Report, Spoke, contradict
from station.given.stages import Stage
from station.record import archive
from station.record.ledger import JOB_COLUMNS, JobRow

GIVEN = N_("closed as it is")
"""Begins the note that holds the reason which was typed for closing a fill that is not full."""
BEFORE_TARGET_L = 0.005
"""Nearer than this to its target a run has reached it."""
TRACE_L = 0.02
"""Less than this drained leaves a compartment as full as it was (common practice, no source)."""
WATCH_SLACK_S = 1.0
NEED_WORDS = frozenset({"wrong_grade", "not_filled", "short", "over", "leak", "at_odds"})
TECHNICIAN, QUALITY_LEAD = N_("technician"), N_("quality lead")

_STOPS = {
    "let go": N_("stopped by hand {left_l} L before the target"),
    "hold not heard": N_("stopped {left_l} L before the target, when the hold was no longer heard"),
    "stopped at the page": N_("stopped with STOP on the page {left_l} L before the target"),
    "level seen at the plug": N_("stopped with the level at the plug {left_l} L before the target"),
}


@dataclass(frozen=True)
class Outcome:
    """What a job came to so far. Volumes in litres at the reference temperature; None where not measured.

    said: the reason that was typed for giving it up, or for closing it as it is.
    """

    stage: str
    verdict: str | None
    filled_l: float | None
    filled_u95_l: float | None
    expected_fill_l: float
    expected_fill_u95_l: float | None = None
    tolerance_minus_l: float = 0.0
    tolerance_plus_l: float = 0.0
    drained_l: float | None = None
    drained_u95_l: float | None = None
    overflow_l: float | None = None
    overflow_u95_l: float | None = None
    level_seen: bool = False
    wrong_fill: str | None = None
    topped_up: bool | None = None
    leak_found: bool | None = None
    leak_unsure: bool | None = None
    leak_text: str | None = None
    leak_watched_s: float | None = None
    leak_watch_s: float | None = None
    pump_runs: tuple[PumpRun, ...] = field(default=())
    witnesses: tuple[Spoke, ...] = field(default=())
    said: str = ""


@dataclass(frozen=True)
class Reason:
    """weight: 0 for the gravest. who: who acts next. grave: the vehicle should not leave as it is."""

    kind: str
    weight: int
    text: str
    who: str
    grave: bool

    def to_dict(self) -> dict[str, Any]:
        return vars(self).copy()


def of_report(report: Report, said: str = "") -> Outcome:
    """From a job's report; one of an older record says less of how it went."""
    known = {
        one.name: getattr(report, one.name) for one in fields(Outcome) if one.name not in ("verdict", "said")
    }
    return Outcome(**known, verdict=report.verdict if report.filled_l is not None else None, said=said)


def of_row(row: JobRow) -> Outcome:
    """From all that is left of a job whose report is gone."""
    known = {one.name: getattr(row, one.name) for one in fields(Outcome) if one.name in JOB_COLUMNS}
    return Outcome(**{**known, "verdict": row.verdict if row.filled_l is not None else None})


def said(entries: Iterable[tuple[str, str]], stage: str) -> str:
    """What was typed for closing a job as it is, or for giving it up, as a clause of a sentence that goes on behind it. entries:
    kind and text of its notes and of its being given up; a job that a restart ended has notes, and no word for that."""
    of, begins = ("abandoned", "") if stage == Stage.ABANDONED else ("note", f"{GIVEN}: ")
    given = [text.removeprefix(begins) for kind, text in entries if kind == of and text.startswith(begins)]
    return given[-1].rstrip(" .") if given else ""


def of_job(job: archive.JobRecord) -> Reason | None:
    """Of a job; None without a report."""
    if job.report is None:
        return None
    entries = ((one.kind, one.text) for one in job.events)
    return reason(of_report(job.report, said(entries, job.report.stage)))


def of_jobs(ledger: Any, job_ids: Sequence[str]) -> dict[str, Reason]:
    """Job → its sentence, of those that have one. A job of which only its row is left says what the row has."""
    found = {}
    endings = archive.endings(ledger, job_ids)
    for job_id in job_ids:
        if job_id in endings:
            report, entries = endings[job_id]
            one = reason(of_report(report, said(entries, report.stage)))
        else:
            row = archive.row(ledger, job_id)
            one = None if row is None else reason(of_row(row))
        if one is not None:
            found[job_id] = one
    return found


def needs_words(outcome: Outcome) -> bool:
    """Whether closing the job as it stands needs a reason from the technician."""
    found = reason(outcome)
    return found is not None and found.kind in NEED_WORDS


def reason(outcome: Outcome) -> Reason | None:
    """The sentence; None where a fill is plainly full, or has not come far enough to say anything."""
    for judge in (_given_up, _wrong_grade, _not_filled, _short, _leaks, _over, _undecided, _may_leak, _full):
        found = judge(outcome)
        if found is not None:
            return found
    return None


def missing_l(outcome: Outcome) -> float | None:
    """How much less than expected is in the compartment: beyond the tolerance, else None."""
    if outcome.filled_l is None:
        return None
    short_l = outcome.expected_fill_l - outcome.filled_l
    return short_l if short_l > outcome.tolerance_minus_l else None


def _sentence(kind: str, weight: int, parts: list[str], todo: str, who: str, grave: bool) -> Reason:
    what = ", ".join(part for part in parts if part)
    return Reason(kind, weight, f"{what[0].upper()}{what[1:]}: {todo}.", who, grave)


def _given_up(o: Outcome) -> Reason | None:
    if o.stage != Stage.ABANDONED:
        return None
    given_up = _("given up ({reason})").format(reason=o.said) if o.said else _("given up")
    drained = _drained(o)
    if o.filled_l is None and not drained:
        return _sentence(
            "given_up", 9, [given_up], _("nothing was drained or filled, plan it again"), TECHNICIAN, False
        )
    if o.filled_l is None:
        todo = _("fill it before the vehicle moves")
        return _sentence("not_filled", 1, [given_up, drained, _("nothing filled")], todo, TECHNICIAN, True)
    filled = _("{litres} of {expected_fill_l} L filled").format(
        litres=litres(o.filled_l, o.filled_u95_l), expected_fill_l=number(o.expected_fill_l, ".2f")
    )
    todo = _("check the level before the vehicle leaves")
    return _sentence("given_up", 2, [given_up, filled, *_left_out(o)], todo, TECHNICIAN, True)


def _drained(o: Outcome) -> str:
    if o.drained_l is None or o.drained_l < TRACE_L:
        return ""
    return _("{litres} drained").format(litres=litres(o.drained_l, o.drained_u95_l))


def _wrong_grade(o: Outcome) -> Reason | None:
    if not o.wrong_fill or o.filled_l is None:
        return None
    parts = [
        _("{litres} filled, not all of it of the grade this compartment takes").format(
            litres=litres(o.filled_l, o.filled_u95_l)
        )
    ]
    todo = _("decide by the service manual whether it has to come out again before the vehicle leaves")
    return _sentence("wrong_grade", 0, [*parts, *_left_out(o)], todo, QUALITY_LEAD, True)


def _not_filled(o: Outcome) -> Reason | None:
    drained = _drained(o)
    if o.filled_l is not None or o.stage not in (Stage.SETTLE, Stage.LEAK_WATCH, Stage.CLOSED):
        return None
    if not drained:
        return _sentence(
            "not_measured", 8, [_("nothing was measured")], _("see the job's events"), QUALITY_LEAD, False
        )
    return _sentence(
        "not_filled", 1, [drained, _("nothing filled")], _("fill before the vehicle moves"), TECHNICIAN, True
    )


def _judged(o: Outcome, verdict: str) -> bool:
    return (
        o.filled_l is not None
        and o.verdict == verdict
        and o.stage in (Stage.SETTLE, Stage.LEAK_WATCH, Stage.CLOSED)
    )


def _short(o: Outcome) -> Reason | None:
    if not _judged(o, "short"):
        return None
    before_l = _before_target_l(o)
    missing = o.expected_fill_l - (o.filled_l or 0.0)
    parts = [_stop(o)]
    if before_l is None or abs(before_l - missing) > max(0.02, 0.1 * missing):
        u95_l = math.hypot(o.filled_u95_l or 0.0, o.expected_fill_u95_l or 0.0)
        parts.insert(0, _("{litres} missing").format(litres=litres(missing, u95_l)))
    if o.topped_up is False:
        parts.append(_("not topped up"))
    todo = _and_leak(o, _("top up before the vehicle leaves"))
    return _sentence("short", 2, [*parts, *_left_out(o)], todo, TECHNICIAN, True)


def _and_leak(o: Outcome, todo: str) -> str:
    return _("find the leak and {todo}").format(todo=todo) if o.leak_found else todo


def _before_target_l(o: Outcome) -> float | None:
    """How far before its target the last run of the pump ended; None where it reached it, or none is known."""
    if not o.pump_runs:
        return None
    left_l = o.pump_runs[-1].target_l - o.pump_runs[-1].final_l
    return left_l if left_l > BEFORE_TARGET_L else None


def _stop(o: Outcome) -> str:
    if not o.pump_runs:
        return ""
    last, left_l = o.pump_runs[-1], _before_target_l(o)
    if left_l is None:
        return _("the pump reached its target")
    said = _(_STOPS.get(last.why, N_("stopped ({why}) {left_l} L before the target")))
    return said.format(why=_(last.why), left_l=number(left_l, ".2f"))


def _left_out(o: Outcome, leak: bool = True) -> list[str]:
    """What else did not go as it should, the weightier first."""
    parts = []
    if o.overflow_l is not None and o.overflow_l > max(o.overflow_u95_l or 0.0, TRACE_L):
        parts.append(
            _("{litres} ran over into the pan").format(litres=litres(o.overflow_l, o.overflow_u95_l))
        )
    if leak and (o.leak_found or o.leak_unsure) and o.leak_text:
        parts.append(inside(o.leak_text))
    if not o.level_seen:
        parts.append(_("level not seen"))
    if o.stage == Stage.CLOSED:
        parts.append(_watch(o))
    if o.said and o.stage == Stage.CLOSED:
        parts.append(_("reason given: {reason}").format(reason=o.said))
    return [part for part in parts if part]


def _watch(o: Outcome) -> str:
    """How the leak watch fell short; empty where it did not, and in a record that does not say."""
    if o.leak_watch_s is None:
        return ""
    if o.leak_watched_s is None:
        return _("no leak watch")
    if o.leak_watched_s >= o.leak_watch_s - WATCH_SLACK_S:
        return ""
    seconds = o.leak_watched_s
    time = f"{seconds:.0f} s" if seconds < 100 else f"{seconds / 60:.0f} min"
    return _("leak watch ended after {time}").format(time=time)


def _leaks(o: Outcome) -> Reason | None:
    if not o.leak_found or o.leak_text is None or o.stage not in (Stage.LEAK_WATCH, Stage.CLOSED):
        return None
    parts = [_("{leak} into the pan").format(leak=inside(o.leak_text)), *_left_out(o, leak=False)]
    todo = _("find the leak before the vehicle leaves")
    return _sentence("leak", 3, parts, todo, TECHNICIAN, True)


def _may_leak(o: Outcome) -> Reason | None:
    if not o.leak_unsure or o.leak_text is None or o.stage not in (Stage.LEAK_WATCH, Stage.CLOSED):
        return None
    parts = [inside(o.leak_text), *_left_out(o, leak=False)]
    todo = _("wipe the joints dry and look for drips before the vehicle leaves")
    return _sentence("may_leak", 5, parts, todo, TECHNICIAN, False)


def _over(o: Outcome) -> Reason | None:
    if not _judged(o, "over"):
        return None
    u95_l = math.hypot(o.filled_u95_l or 0.0, o.expected_fill_u95_l or 0.0)
    parts = [
        _("{litres} more than expected").format(litres=litres((o.filled_l or 0.0) - o.expected_fill_l, u95_l))
    ]
    todo = _("with the vehicle level, let the excess run out at the plug into the pan until it stops")
    return _sentence("over", 4, [*parts, *_left_out(o)], todo, TECHNICIAN, True)


def _undecided(o: Outcome) -> Reason | None:
    if not _judged(o, "undecided"):
        return None
    off_l = (o.filled_l or 0.0) - o.expected_fill_l
    undecided = (
        _("undecided at {litres} below the expected fill")
        if off_l < 0
        else _("undecided at {litres} above the expected fill")
    )
    u95_l = math.hypot(o.filled_u95_l or 0.0, o.expected_fill_u95_l or 0.0)
    odds = _("the witnesses contradict each other") if contradict(o.witnesses) else ""
    parts = [undecided.format(litres=litres(abs(off_l), u95_l)), odds, _stop(o)]
    todo = (
        _("look at the level at the plug, vehicle level")
        if not o.level_seen
        else _("measure again, see the job's page")
    )
    return _sentence("at_odds" if odds else "undecided", 5, [*parts, *_left_out(o)], todo, TECHNICIAN, False)


def _full(o: Outcome) -> Reason | None:
    """Full by its volume; something that would have shown it was left out."""
    if not _judged(o, "full"):
        return None
    watch = _watch(o)
    if o.stage != Stage.CLOSED or (o.level_seen and not watch):
        return None
    left_out, looks = [], []
    if not o.level_seen:
        left_out.append(_("level not seen"))
        looks.append(_("look at the level at the plug"))
    if watch:
        left_out.append(watch)
        looks.append(_("look for drips"))
    todo = _("{looks} when the vehicle is next in").format(looks=listed(looks))
    return _sentence("not_seen", 6, [_("full by its volume"), *left_out], todo, TECHNICIAN, False)
