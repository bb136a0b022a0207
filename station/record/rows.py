"""The line of a closed job that lists and charts need."""

from collections.abc import Mapping
from typing import Any

_LABELS = "vehicle compartment technician grade".split()
_MORE_LABELS = "bay meter container fluid compartment_type".split()
_FIGURES = (
    "listed_capacity_l expected_fill_l drained_l drained_u95_l metered_l overflow_l filled_l filled_u95_l"
).split()
_MORE_FIGURES = "expected_fill_u95_l tolerance_minus_l tolerance_plus_l overflow_u95_l".split()
JOB_COLUMNS = [
    *("job_id", "opened_utc", "closed_utc", "stage", *_LABELS, *_FIGURES, "verdict", *_MORE_LABELS, "method"),
    *(*_MORE_FIGURES, "level_seen", "distance_km", "level_proved", "proved_fill_l"),
]
"""What a job's row has. proved_fill_l: what a fill to the lip says of its compartment, whatever its temperature was
(station.filling.expecting.proved_l); null where the level was not proved."""
PROVED = "coalesce(level_proved, level_seen) = 1"
"""Whether something else than the meter bore a job's fill out: the pan or an eye that was believed. A row that is older than
this column says only what was seen."""


def type_of(vehicle: str, compartment: str, compartment_type: str) -> str:
    """What jobs are compared by: the compartment's type, or where none is stated that one compartment alone."""
    return compartment_type or f"{vehicle} / {compartment}"


def job_row(
    job_id: str,
    opened_utc: str,
    closed_utc: str,
    labels: Mapping[str, str],
    report: Mapping[str, Any],
    distance_km: float | None = None,
) -> dict[str, Any]:
    """The line that lists and charts need, drawn from a job's labels and its report.

    labels: texts. Beside what names the job, ``bay``, ``meter``, ``container``, ``fluid``, ``compartment_type`` and
    ``method`` are taken where they are given. distance_km: what the vehicle has run.
    """
    return {
        "job_id": job_id,
        "opened_utc": opened_utc,
        "closed_utc": closed_utc,
        "stage": report["stage"],
        **{name: labels.get(name) for name in _LABELS},
        **{name: report[name] for name in _FIGURES},
        "verdict": report["verdict"],
        **{name: labels.get(name) for name in _MORE_LABELS},
        "compartment_type": type_of(
            labels.get("vehicle", ""), labels.get("compartment", ""), labels.get("compartment_type", "")
        ),
        "method": labels.get("method"),
        **{name: report[name] for name in _MORE_FIGURES},
        # What was learned from: a volume with the level that proves it. One that went past the meter is no such volume.
        "level_seen": int(report["level_seen"] and not report.get("unproved", False)),
        "distance_km": distance_km,
        "level_proved": int(report["proved_fill_l"] is not None),
        "proved_fill_l": report["proved_fill_l"],
    }
