"""Every step of a calibration, by POST. The station decides; what it refuses, it refuses with a sentence."""

import math
from typing import Annotated, Any, Literal

from fastapi import APIRouter
from pydantic import Field
from starlette.responses import Response

from station.errors import InputError
from web.calibrating import guide
from web.calibrating.calibration_contexts import address
from web.calibrating.calibration_pages import TheProcedure
from web.frame.deps import Body, DiskThreads, Line, Remark, Station, do, done
from web.frame.port import Engine
from web.live.actions import Reason, TheHolder
from web.live.hold import Holder

router = APIRouter(prefix="/api/calibration")

Name = Annotated[str, Field(max_length=100)]
MOST_REFERENCES = 20


class Pan(Body):
    """loads: known masses with units, separated by commas."""

    loads: Line


class Meter(Body):
    """fluid: a key of the list. volume: of one run, with its unit."""

    fluid: Name
    volume: Line


class Read(Body):
    step: Name
    load: Name
    place: Name = ""


class Strike(Body):
    """index: of the reading or run, counted from 0."""

    index: Annotated[str, Field(pattern=r"^\d{1,4}$")]
    reason: Line


class Turn(Body):
    turn: Literal["begin", "end", "drop"]


class Reference(Body):
    name: Line = ""
    value: Name = ""
    u: Name = ""
    certificate: Line = ""
    valid_until: Name = ""


class Finish(Body):
    """What the certificate says beside its readings, as texts."""

    made_by: Line
    valid_until: Name
    references: Annotated[list[Reference], Field(max_length=MOST_REFERENCES)]
    use_from: Name = ""
    use_to: Name = ""
    air_c: Name = ""
    remarks: Remark = ""
    replaces: Line = ""


@router.post("/pan")
async def begin_pan(engine: Station, threads: DiskThreads, procedure: TheProcedure, body: Pan) -> Response:
    loads = guide.parse_loads(body.loads)
    await do(threads, engine.calibrate, "begin", {"kind": "pan"})
    procedure.loads, procedure.struck = loads, []
    return done()


@router.post("/meter")
async def begin_meter(
    engine: Station, threads: DiskThreads, procedure: TheProcedure, body: Meter
) -> Response:
    await do(threads, engine.calibrate, "begin", {"kind": "meter", **body.model_dump()})
    procedure.fluid, procedure.struck = body.fluid, []
    return done()


@router.post("/read")
async def read(engine: Station, threads: DiskThreads, body: Read) -> Response:
    await do(threads, engine.calibrate, "read", body.model_dump())
    return done()


@router.post("/strike")
async def strike(engine: Station, threads: DiskThreads, procedure: TheProcedure, body: Strike) -> Response:
    before = await do(threads, engine.calibration)
    await do(threads, engine.calibrate, "strike", body.model_dump())
    rows = before["readings"] if before["kind"] == "pan" else before["runs"]
    if int(body.index) < len(rows):
        procedure.struck.append((rows[int(body.index)], body.reason.strip()))
    return done()


@router.post("/run")
async def run(engine: Station, threads: DiskThreads, holder: TheHolder, body: Turn) -> Response:
    if body.turn == "drop":
        await do(threads, _stop, engine, holder)
    await do(threads, engine.calibrate, f"{body.turn}_run", {})
    return done()


@router.post("/finish")
async def finish(engine: Station, threads: DiskThreads, body: Finish) -> Response:
    after = await do(threads, engine.calibrate, "finish", _values(body))
    return done(go=address(after["certificates"][0]["number"]))


@router.post("/abandon")
async def abandon(engine: Station, threads: DiskThreads, holder: TheHolder, body: Reason) -> Response:
    await do(threads, _stop, engine, holder)
    await do(threads, engine.calibrate, "abandon", {"reason": body.reason})
    return done()


def _stop(engine: Engine, holder: Holder) -> None:
    """A run that is given up takes no more word from any control, not even that it was let go: stop first."""
    try:
        engine.stop()
    finally:
        holder.end()


def _values(body: Finish) -> dict[str, Any]:
    """The form as the station takes it: no empty rows, no empty texts, the air as a number."""
    values = {name: text for name, text in body.model_dump().items() if text not in ("", [])}
    rows = [row.model_dump() for row in body.references]
    values["references"] = [row for row in rows if any(text.strip() for text in row.values())]
    if body.air_c.strip():
        values["air_c"] = _air_c(body.air_c)
    return values


def _air_c(text: str) -> float:
    try:
        value = float(text.strip().replace("−", "-"))
    except ValueError:
        value = math.nan
    if not -40.0 <= value <= 60.0:
        raise InputError(f"air_c is {text!r}; expected the air's temperature in °C, −40 to 60.")
    return value
