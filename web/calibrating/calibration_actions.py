"""Every step of a calibration, by POST. The station decides; what it refuses, it refuses with a sentence."""

from typing import Annotated, Literal

from fastapi import APIRouter
from pydantic import Field
from starlette.responses import Response

from calibration.certificates import Reference
from station.calibrating.calibrating import CertificateEntry, PanStep
from station.common.words import _
from web.calibrating import guide
from web.calibrating.calibration_pages import TheProcedure
from web.calibrating.guide import place_of
from web.calibrating.register import address
from web.frame.amounts import celsius, mass_kg, volume_l
from web.frame.deps import Body, DiskThreads, Line, Remark, Station, do, done
from web.frame.port import Engine
from web.live.actions import Reason, TheHolder
from web.live.hold import Holder

router = APIRouter(prefix="/api/calibration")

Name = Annotated[str, Field(max_length=100)]
MOST_REFERENCES = 20


class Pan(Body):
    """loads: known masses with units, separated by commas. pan: of the bay's pans, the one to calibrate."""

    loads: Line
    pan: Literal["pan", "pan_b"] = "pan"


class Meter(Body):
    """fluid: a key of the list. volume: of one run, with its unit."""

    fluid: Name
    volume: Line


class Read(Body):
    step: Annotated[PanStep, Field(strict=False)]
    load: Name
    place: Name = ""


class Strike(Body):
    """index: of the reading or run, counted from 0."""

    index: Annotated[str, Field(pattern=r"^\d{1,4}$")]
    reason: Line


class Turn(Body):
    turn: Literal["begin", "end", "drop"]


class ReferenceRow(Body):
    name: Line = ""
    value: Name = ""
    u: Name = ""
    certificate: Line = ""
    valid_until: Name = ""


class Finish(Body):
    """What the certificate says beside its readings, as texts."""

    made_by: Line
    valid_until: Name
    references: Annotated[list[ReferenceRow], Field(max_length=MOST_REFERENCES)]
    use_from: Name = ""
    use_to: Name = ""
    air_c: Name = ""
    remarks: Remark = ""
    replaces: Line = ""


@router.post("/pan")
async def begin_pan(engine: Station, threads: DiskThreads, procedure: TheProcedure, body: Pan) -> Response:
    loads = guide.parse_loads(body.loads)
    await do(threads, engine.calibrations.begin_pan, body.pan)
    procedure.loads, procedure.struck = loads, []
    return done()


@router.post("/meter")
async def begin_meter(
    engine: Station, threads: DiskThreads, procedure: TheProcedure, body: Meter
) -> Response:
    of_one_run_l = volume_l("volume", body.volume, engine.settings().country)
    await do(threads, engine.calibrations.begin_meter, body.fluid, of_one_run_l)
    procedure.fluid, procedure.struck = body.fluid, []
    return done()


@router.post("/read")
async def read(engine: Station, threads: DiskThreads, body: Read) -> Response:
    await do(
        threads, engine.calibrations.read, body.step, mass_kg(_("Load"), body.load), place_of(body.place)
    )
    return done()


@router.post("/strike")
async def strike(engine: Station, threads: DiskThreads, procedure: TheProcedure, body: Strike) -> Response:
    struck = await do(threads, engine.calibrations.strike, int(body.index), body.reason)
    procedure.struck.append((struck, body.reason.strip()))
    return done()


@router.post("/run")
async def run(engine: Station, threads: DiskThreads, holder: TheHolder, body: Turn) -> Response:
    calibrations = engine.calibrations
    if body.turn == "drop":
        await do(threads, _stop, engine, holder)
    turns = {"begin": calibrations.begin_run, "end": calibrations.end_run, "drop": calibrations.drop_run}
    await do(threads, turns[body.turn])
    return done()


@router.post("/finish")
async def finish(engine: Station, threads: DiskThreads, body: Finish) -> Response:
    made = await do(threads, engine.calibrations.finish, _entry(body))
    return done(go=address(made.number))


@router.post("/abandon")
async def abandon(engine: Station, threads: DiskThreads, holder: TheHolder, body: Reason) -> Response:
    await do(threads, _stop, engine, holder)
    await do(threads, engine.calibrations.abandon, body.reason)
    return done()


def _stop(engine: Engine, holder: Holder) -> None:
    """A run that is given up takes no more word from any control, not even that it was let go: stop first."""
    try:
        engine.stop()
    finally:
        holder.end()


def _entry(body: Finish) -> CertificateEntry:
    """The form with its texts read; rows that were left empty are none."""
    rows = [row for row in body.references if any(text.strip() for text in row.model_dump().values())]
    return CertificateEntry(
        made_by=body.made_by,
        valid_until=body.valid_until,
        references=tuple(
            Reference(
                row.name,
                mass_kg(_("Reference {n}, value").format(n=n), row.value),
                mass_kg(_("Reference {n}, u").format(n=n), row.u),
                "kg",
                row.certificate,
                row.valid_until.strip() or None,
            )
            for n, row in enumerate(rows, start=1)
        ),
        use_from_kg=mass_kg(_("Used from"), body.use_from or "0 kg"),
        use_to_kg=mass_kg(_("Used to"), body.use_to) if body.use_to else None,
        air_c=celsius(_("Air"), body.air_c, -40.0, 60.0) if body.air_c.strip() else None,
        remarks=body.remarks,
        replaces=body.replaces or None,
    )
