"""A fill of the quality page's lists: short, over or undecided, how far off, and why."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

from calibration.budget import NORMAL_95
from station.learning.reason import Reason
from station.learning.settling import what_settles
from station.learning.why import Facts

OF_JOB = "job_id opened_utc vehicle compartment technician bay meter verdict filled_l filled_u95_l".split()
OF_JOB += ["expected_fill_l", "expected_fill_u95_l"]
"""What a job's row has of it."""


@dataclass(frozen=True)
class Fill:
    """A fill of the lists. settled_by: what would decide an undecided one; None of any other."""

    job_id: str
    opened_utc: str
    vehicle: str | None
    compartment: str | None
    technician: str | None
    bay: str | None
    meter: str | None
    verdict: str
    filled_l: float
    filled_u95_l: float | None
    expected_fill_l: float
    expected_fill_u95_l: float | None
    deviation_l: float
    deviation_u95_l: float
    deviation_percent: float
    reason: str
    settled_by: tuple[str, ...] | None = None

    @classmethod
    def of(cls, row: Mapping[str, Any], told: Reason | None) -> "Fill":
        u95_l = math.hypot(row["filled_u95_l"] or 0.0, row["expected_fill_u95_l"] or 0.0)
        return cls(
            **{name: row[name] for name in (*OF_JOB, "deviation_l", "deviation_percent")},
            deviation_u95_l=u95_l,
            reason="" if told is None else told.text,
            settled_by=_settled_by(row) if row["verdict"] == "undecided" else None,
        )

    def to_dict(self) -> dict[str, Any]:
        return {n: value for n, value in vars(self).items() if n != "settled_by" or value is not None}


FILL_COLUMNS = [one.name for one in fields(Fill) if one.name not in ("reason", "settled_by")]


def _settled_by(row: Mapping[str, Any]) -> tuple[str, ...]:
    facts = Facts(
        capacity_text="",
        listed_l=row["listed_capacity_l"],
        expected_l=row["expected_fill_l"],
        u_expected_l=(row["expected_fill_u95_l"] or 0.0) / NORMAL_95,
        tolerance_minus_l=row["tolerance_minus_l"] or 0.0,
        tolerance_plus_l=row["tolerance_plus_l"] or 0.0,
        drained_l=row["drained_l"],
        filled_l=row["filled_l"],
        u_filled_l=(row["filled_u95_l"] or 0.0) / NORMAL_95,
        level_seen=bool(row["level_seen"]),
    )
    return tuple(what_settles(facts))
