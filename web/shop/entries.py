"""What people enter beside running a job: movements of fluid, the drained fluid's condition, photos; and what a plan
would come to. All of it waits for the disk, so none of it takes the threads that a stop needs."""

from typing import Annotated, Any

from anyio import CapacityLimiter
from fastapi import APIRouter, Query, Request
from pydantic import Field
from starlette.responses import Response

from station.bay.plan import PlanForm
from station.common import days
from station.common.words import _
from station.learning import condition
from station.learning.condition import Photo
from station.record.author import BY
from station.shop import movement
from station.shop.preview import Preview
from web.frame import format as fmt
from web.frame.amounts import plain
from web.frame.deps import Body, DiskThreads, Key, Line, Remark, Station, do, done, job_of
from web.frame.port import Engine
from web.frame.problem import Problem
from web.frame.render import render
from web.live.actions import as_planned
from web.shop.fleet_pages import STATES

router = APIRouter(prefix="/api")


class Movement(Body):
    """As ``station.shop.movement.Typed``."""

    kind: Key
    volume: Line
    u95: Line = ""
    fluid: Line = ""
    container: Line = ""
    vehicle: Line = ""
    technician: Line = ""
    note: Remark = ""
    when: Line = ""


class Condition(Body):
    """The drained fluid, in the words of ``station.learning.condition``. job_id: the open job where it is left out."""

    colour: Key
    smell: Key
    metal: Key
    milky: bool = False
    note: Remark = ""
    job_id: Annotated[str | None, Field(max_length=100)] = None


def _move(engine: Engine, body: Movement) -> movement.Movement:
    bay = engine.settings()
    entry = movement.Typed(
        **body.model_dump()
        | {"volume": plain(_("Volume"), body.volume), "u95": plain(_("Good to ±"), body.u95)}
    )
    moved = movement.typed(entry, engine.catalogue(), bay.country, bay.zone, days.now(), BY.get())
    engine.entries.move(moved)
    return moved


def _note_condition(engine: Engine, body: Condition) -> None:
    noted = condition.picked(body.colour, body.smell, body.metal, body.milky, body.note)
    if body.job_id is not None:
        job_id = job_of(engine, body.job_id).job_id
    elif (job := engine.view().job) is not None:
        job_id = job.job_id
    else:
        raise Problem(409, _("No job is open"), _("Note the fluid's condition on the job's own page."))
    engine.entries.note_condition(job_id, noted)


def _photo(engine: Engine, job_id: str, data: bytes, by: str, text: str) -> Photo:
    job = job_of(engine, job_id)
    if not data:
        raise Problem(400, _("Please check"), _("The photo is empty. Take it again."))
    # The station takes a photo in on the thread that keeps the pump's heartbeat; that one comes first.
    if engine.view().pump_on:
        raise Problem(409, _("The pump is running"), _("Send the photo again when the pump is off."))
    return engine.entries.photo(job.job_id, data, by, text)


def _told(plan: Preview) -> dict[str, Any]:
    """A plan for its page: what is well, and what wants something done first."""
    service = plan.service
    told = [_("Listed capacity: {capacity}.").format(capacity=plan.capacity)]
    if plan.supply_text not in plan.cautions:
        told.append(plan.supply_text)
    if service is not None:
        told.append(
            _("Service as it stands today: {state}. {text}").format(
                state=_(STATES[service.state][1]), text=service.text
            )
        )
    expected = str(fmt.litres(plan.expected.value_l, plan.expected.u95_l))
    return {"expected": expected, "words": plan.expected.words, "told": told, "cautions": plan.cautions}


@router.post("/plan")
async def plan(engine: Station, threads: DiskThreads, body: PlanForm) -> Response:
    """What a plan comes to, as data under ``plan`` and as ``html`` for the page. It opens nothing."""
    content = await do(threads, engine.plan_preview, as_planned(body))
    return done(plan=content.to_dict(), html=render("_preview.html", plan=_told(content)))


@router.post("/movement")
async def move(engine: Station, threads: DiskThreads, body: Movement) -> Response:
    moved = await do(threads, _move, engine, body)
    return done(entered=moved.to_dict())


@router.post("/condition")
async def note_condition(engine: Station, threads: DiskThreads, body: Condition) -> Response:
    await do(threads, _note_condition, engine, body)
    return done()


@router.post("/jobs/{job_id}/photo")
async def photo(
    request: Request,
    engine: Station,
    job_id: str,
    by: Annotated[str, Query(max_length=80)] = "",
    text: Annotated[str, Query(max_length=500)] = "",
) -> Response:
    """The bytes of one JPEG or PNG. ``web.frame.gate`` has looked at its type and length before it is read."""
    threads: CapacityLimiter = request.app.state.photo_threads
    kept = await do(threads, _photo, engine, job_id, await request.body(), by, text)
    return done(name=kept.name)
