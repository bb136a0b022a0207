"""The curve of a job: for the job's page as data, zoomed exactly; for the sheet as a still drawing."""

import tomllib
from contextlib import AbstractContextManager
from dataclasses import asdict, dataclass
from functools import lru_cache
from typing import Annotated, Any, Protocol, cast

import numpy as np
from fastapi import APIRouter, Query
from starlette.responses import JSONResponse, Response

from station.common.words import N_
from station.errors import InputError, StationError
from station.given.job import JobSpec, spec_from_tables
from station.given.report import Report
from station.record import curve as curves
from station.record.archive import JobRecord
from station.record.ledger import Ledger
from web.frame.deps import Station, job_of
from web.jobs.still import Still, still

router = APIRouter()
Seconds = Annotated[float | None, Query(ge=0, le=1e7)]
FAN_S = 1800.0
STILL_POINTS = 200
KEPT_JOBS = 2
"""Recordings kept sorted in memory: whoever zooms asks for the same one again."""

STAGE_OF = {
    "drain_open": "drain",
    "drain_done": "reseal",
    "flush": "reseal",
    "reseal_done": N_("wait"),
    "fill_start": "fill",
    "fill_done": "settle",
    "plug_in": "leak watch",
}
"""The mark that begins it → the part of the job, as the curve names it. What follows the reseal is ``CURE`` where sealant has
to cure."""
CURE = N_("cure")


class Held(Protocol):
    """What a curve is drawn from."""

    def job_toml(self, job_id: str, /) -> str: ...

    def reading(self) -> AbstractContextManager[Ledger]: ...


@dataclass(frozen=True)
class Known:
    """What the curve is held against. Litres at the reference temperature; seconds from the first sample, which the
    stream had at start_s. drained_kg_per_l: density of the drained fluid, by which a forecast becomes a mass. cures: whether there
    is sealant that has to."""

    expected_l: float
    tolerance_minus_l: float
    tolerance_plus_l: float
    filled_l: float | None
    filled_u95_l: float | None
    metered_l: float | None
    steps: tuple[tuple[float, str, float], ...]
    start_s: float
    drained_kg_per_l: float
    cures: bool
    fan: "Fan | None" = None


@dataclass(frozen=True)
class Fan:
    """The drip as it was forecast when the drained figure was taken: what the next half hour would bring, with its U95."""

    from_s: float
    to_s: float
    from_kg: float
    ahead_kg: float
    u95_kg: float


@lru_cache(maxsize=KEPT_JOBS)
def _kept(engine: Held, job_id: str) -> curves.Recording:
    """Of a job that has ended: nothing comes to it any more."""
    return _sorted(engine, job_id)


def _sorted(engine: Held, job_id: str) -> curves.Recording:
    with engine.reading() as ledger:
        return curves.recording(ledger.samples(job_id))


def curve_of(
    engine: Held,
    job: JobRecord,
    window_s: tuple[float, float] | None = None,
    points: int = curves.POINTS,
) -> tuple[curves.Curve, Known] | None:
    """None where the recording is gone, or was never one that could be read."""
    report = job.measured
    try:
        spec = spec_from_tables(tomllib.loads(engine.job_toml(job.job_id)), "JOB.toml")
        rec = _sorted(engine, job.job_id) if job.closed_utc is None else _kept(cast(Any, engine), job.job_id)
    except (InputError, StationError, ValueError, KeyError):
        return None
    if not rec.numbers:
        return None
    found = curves.curve(rec, spec.pan, spec.meter, report.metered_l, window_s, points, spec.pan_b)
    known = Known(
        report.expected_fill_l,
        report.tolerance_minus_l,
        report.tolerance_plus_l,
        report.filled_l,
        report.filled_u95_l,
        report.metered_l,
        tuple((s.t_s - rec.start_s, s.kind, s.kg) for s in report.steps),
        rec.start_s,
        spec.drained.density_kg_m3(spec.reference_temperature_c) / 1000.0,
        spec.cures,
        _fan(report, rec, spec),
    )
    return found, known


def stages_of(curve: curves.Curve, cures: bool) -> tuple[tuple[str, float, float], ...]:
    """Name, from, to of each part of the job that a mark began."""
    names = {**STAGE_OF, "reseal_done": CURE} if cures else STAGE_OF
    return tuple((names[s.name], s.from_s, s.to_s) for s in curve.marks if s.name in names)


def drawing_of(engine: Held, job: JobRecord) -> Still | None:
    """The curve as it stands on paper; None without a recording."""
    found = curve_of(engine, job, points=STILL_POINTS)
    if found is None:
        return None
    curve, known = found
    tolerance_l = (known.tolerance_minus_l, known.tolerance_plus_l)
    filled = None if known.filled_l is None else (known.filled_l, known.filled_u95_l or 0.0)
    return still(curve, stages_of(curve, known.cures), known.expected_l, tolerance_l, filled)


def _fan(report: Report, rec: curves.Recording, spec: JobSpec) -> Fan | None:
    at_s = next((t_s for t_s, name in rec.marks if name == "drain_done"), None)
    if at_s is None or report.still_to_come_l is None or "pan" not in rec.numbers:
        return None
    kg_per_l = spec.drained.density_kg_m3(spec.reference_temperature_c) / 1000.0
    t_s, counts = rec.numbers["pan"]
    from_kg = spec.pan.indicated_kg(float(np.interp(at_s, t_s, counts)))
    ahead_kg, u95_kg = report.still_to_come_l * kg_per_l, (report.still_to_come_u95_l or 0.0) * kg_per_l
    return Fan(at_s, at_s + FAN_S, from_kg, ahead_kg, u95_kg)


@router.get("/live/curve.json")
def live_curve_json(
    engine: Station, points: Annotated[int, Query(ge=10, le=curves.POINTS_MOST)] = curves.POINTS
) -> Response:
    """The job in the bay so far, for a page that goes on from there with the stream; nulls between jobs."""
    job = engine.view().job
    return _answer(None if job is None else curve_of(engine, job_of(engine, job.job_id), None, points))


@router.get("/jobs/{job_id}/curve.json")
def curve_json(
    engine: Station,
    job_id: str,
    from_s: Seconds = None,
    to_s: Seconds = None,
    points: Annotated[int, Query(ge=10, le=curves.POINTS_MOST)] = curves.POINTS,
) -> Response:
    """The window that is asked for, or the whole; ``exact`` where a trace has every sample of it."""
    job = job_of(engine, job_id)
    window = None if from_s is None or to_s is None or to_s <= from_s else (from_s, to_s)
    return _answer(curve_of(engine, job, window, points))


def _answer(found: tuple[curves.Curve, Known] | None) -> Response:
    if found is None:
        return JSONResponse({"curve": None, "known": None})
    curve, known = found
    stages = [{"name": name, "from_s": a, "to_s": b} for name, a, b in stages_of(curve, known.cures)]
    plain = {**curve.to_dict(), "stages": stages}
    return JSONResponse({"curve": plain, "known": asdict(known)})
