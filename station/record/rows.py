"""The line of a closed job that lists and charts need."""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

from station.given.report import Report


@dataclass(frozen=True)
class JobRow:
    """A job in the list. Texts that nobody gave, and figures that were not measured, are None; volumes in litres.

    level_seen, level_proved: 1 or 0, as the table keeps it. distance_km: what the vehicle had run. proved_fill_l: what a fill
    to the lip says of its compartment, whatever its temperature was (station.filling.expecting.proved_l); None where the
    level was not proved.
    """

    job_id: str
    opened_utc: str
    closed_utc: str | None
    stage: str
    vehicle: str | None
    compartment: str | None
    technician: str | None
    grade: str | None
    listed_capacity_l: float | None
    expected_fill_l: float | None
    drained_l: float | None
    drained_u95_l: float | None
    metered_l: float | None
    overflow_l: float | None
    filled_l: float | None
    filled_u95_l: float | None
    verdict: str
    bay: str | None
    meter: str | None
    container: str | None
    fluid: str | None
    compartment_type: str | None
    method: str | None
    expected_fill_u95_l: float | None
    tolerance_minus_l: float | None
    tolerance_plus_l: float | None
    overflow_u95_l: float | None
    level_seen: int | None
    distance_km: float | None
    level_proved: int | None
    proved_fill_l: float | None

    @classmethod
    def of(cls, row: Mapping[str, Any]) -> "JobRow":
        """From the table, or from the chain, which in an older record has less."""
        told: dict[str, Any] = {name: row.get(name) for name in JOB_COLUMNS}
        return cls(**told)

    @property
    def outcome(self) -> str:
        """What a list says that a job came to: one of ``OUTCOMES``, or the stage of one that is open. A job that was given up
        has no verdict, whatever the figures were by then."""
        if self.stage != "closed":
            return self.stage
        return self.verdict if self.filled_l is not None else NO_VERDICT

    def to_dict(self) -> dict[str, Any]:
        return vars(self).copy()

    def told(self) -> dict[str, Any]:
        """As every list, file and command tells it: with its outcome for a verdict."""
        return {**self.to_dict(), "verdict": self.outcome}


NO_VERDICT = "no verdict"
_JUDGED = "stage = 'closed' and filled_l is not null and verdict = ?"
OUTCOMES: dict[str, tuple[str, list[object]]] = {
    **{name: (_JUDGED, [name]) for name in ("full", "short", "over", "undecided")},
    NO_VERDICT: ("stage = 'closed' and filled_l is null", []),
    "abandoned": ("stage = 'abandoned'", []),
}
"""Outcome of a job that has ended → what its row says then, as SQL."""

JOB_COLUMNS = [one.name for one in fields(JobRow)]
"""What a job's row has."""
PROVED = "coalesce(level_proved, level_seen) = 1"
"""Whether something else than the meter bore a job's fill out: the pan or an eye that was believed. A row that is older than
this column says only what was seen."""
CONTRADICTED = """((coalesce(case when filled_l < drained_l then filled_l else drained_l end, 0)
        > expected_fill_l + tolerance_plus_l + coalesce(expected_fill_u95_l, 0)
    or coalesce(case when filled_l > drained_l then filled_l else drained_l end, 1e9)
        < expected_fill_l - tolerance_minus_l - coalesce(expected_fill_u95_l, 0)) is true)"""
"""Whether a proved fill's expectation is contradicted, as SQL over a job's row, for a bay's record and for many bays' alike: the
pan found in the compartment what the meter then put in up to the level, and both are off by more than tolerance and doubt. That
says something of what is listed, and nothing of the meter."""
STRAY_REL = 0.25
"""A fill this far off says that something else went wrong, and nothing of the meter."""


def type_of(vehicle: str, compartment: str, compartment_type: str) -> str:
    """What jobs are compared by: the compartment's type, or where none is stated that one compartment alone."""
    return compartment_type or f"{vehicle} / {compartment}"


def job_row(
    job_id: str,
    opened_utc: str,
    closed_utc: str | None,
    labels: Mapping[str, str],
    report: Report,
    distance_km: float | None = None,
) -> JobRow:
    """The line that lists and charts need, drawn from a job's labels and its report.

    labels: texts. Beside what names the job, ``bay``, ``meter``, ``container``, ``fluid``, ``compartment_type`` and
    ``method`` are taken where they are given.
    """
    kind = type_of(
        labels.get("vehicle", ""), labels.get("compartment", ""), labels.get("compartment_type", "")
    )
    return JobRow(
        job_id=job_id,
        opened_utc=opened_utc,
        closed_utc=closed_utc,
        stage=report.stage,
        vehicle=labels.get("vehicle"),
        compartment=labels.get("compartment"),
        technician=labels.get("technician"),
        grade=labels.get("grade"),
        listed_capacity_l=report.listed_capacity_l,
        expected_fill_l=report.expected_fill_l,
        drained_l=report.drained_l,
        drained_u95_l=report.drained_u95_l,
        metered_l=report.metered_l,
        overflow_l=report.overflow_l,
        filled_l=report.filled_l,
        filled_u95_l=report.filled_u95_l,
        verdict=report.verdict,
        bay=labels.get("bay"),
        meter=labels.get("meter"),
        container=labels.get("container"),
        fluid=labels.get("fluid"),
        compartment_type=kind,
        method=labels.get("method"),
        expected_fill_u95_l=report.expected_fill_u95_l,
        tolerance_minus_l=report.tolerance_minus_l,
        tolerance_plus_l=report.tolerance_plus_l,
        overflow_u95_l=report.overflow_u95_l,
        # What was learned from: a volume with the level that proves it. One that went past the meter is no such volume.
        level_seen=int(report.level_seen and not report.unproved),
        distance_km=distance_km,
        level_proved=int(report.proved_fill_l is not None),
        proved_fill_l=report.proved_fill_l,
    )
