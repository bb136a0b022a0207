"""What people enter beside running a job: movements of fluid, the drained fluid's condition, photos; and what a plan
would come to. All of it waits for the disk, so none of it takes the threads that a stop needs."""

from collections.abc import Mapping
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from pydantic import Field
from starlette.responses import Response

from station.shop.audit import OUT
from web.frame import format as fmt
from web.frame.deps import Body, DiskThreads, Key, Line, Remark, Station, do, done, job_of
from web.frame.port import Engine
from web.frame.problem import Problem
from web.frame.render import render
from web.live.actions import Plan
from web.shop.fleet_pages import STATES

router = APIRouter(prefix="/api")


class Movement(Body):
    """kind: of ``station.shop.audit.KINDS``. fluid: may be left out where a container says it. volume, u95: with unit."""

    kind: Key
    volume: Line
    u95: Line = ""
    fluid: Line = ""
    container: Line = ""
    vehicle: Line = ""
    technician: Line = ""
    note: Remark = ""


class Condition(Body):
    """The drained fluid, in the words of ``station.learning.condition``. job_id: the open job where it is left out."""

    colour: Key
    smell: Key
    metal: Key
    milky: bool = False
    note: Remark = ""
    job_id: Annotated[str | None, Field(max_length=100)] = None


def _movement(engine: Engine, body: Movement) -> dict[str, Any]:
    values = {name: text for name, text in body.model_dump().items() if text}
    container = engine.catalogue().get("container", body.container) if body.container else None
    if container is not None and not body.fluid:
        values["fluid"] = container.get("fluid")
    if container is not None and body.kind in ("received", "counted", *OUT):
        held = container.get("fluid")
        if held and values["fluid"] != held:
            raise Problem(
                400,
                "Please check",
                f"{body.container} holds {held}, the entry says {values['fluid']}. Pick the fluid that is in it, "
                "or another container.",
            )
    return engine.enter("movement", values)


def _condition(engine: Engine, body: Condition) -> dict[str, Any]:
    values = body.model_dump()
    if body.job_id is None:
        job = engine.view().job
        if job is None:
            raise Problem(409, "No job is open", "Note the fluid's condition on the job's own page.")
        values["job_id"] = job.job_id
    else:
        job_of(engine, body.job_id)
    return engine.enter("condition", values)


def _photo(engine: Engine, job_id: str, data: bytes, by: str, text: str) -> dict[str, Any]:
    job = job_of(engine, job_id)
    if not data:
        raise Problem(400, "Please check", "The photo is empty. Take it again.")
    # The station takes a photo in on the thread that keeps the pump's heartbeat; that one comes first.
    if engine.view().pump_on:
        raise Problem(409, "The pump is running", "Send the photo again when the pump is off.")
    return engine.photo(job["job_id"], data, by, text)


def _told(plan: Mapping[str, Any]) -> dict[str, Any]:
    """A plan for its page: what is well, and what wants something done first."""
    supply, service = plan["supply"], plan["service"]
    told: list[str] = []
    cautions: list[str] = []
    (told if supply["enough"] and supply["counted"] else cautions).append(supply["text"])
    if service is not None:
        told.append(f"The next change as of today is {STATES[service['state']][1]}. {service['text']}")
    expected = str(fmt.litres(plan["expected_fill_l"], plan["expected_fill_u95_l"]))
    return {"expected": expected, "words": plan["words"], "told": told, "cautions": cautions}


@router.post("/plan")
async def plan(engine: Station, threads: DiskThreads, body: Plan) -> Response:
    """What a plan comes to, as data under ``plan`` and as ``html`` for the page. It opens nothing."""
    form = {name: text for name, text in body.model_dump().items() if text}
    content = await do(threads, engine.plan_preview, form)
    return done(plan=content, html=render("_preview.html", plan=_told(content)))


@router.post("/movement")
async def movement(engine: Station, threads: DiskThreads, body: Movement) -> Response:
    return done(entered=await do(threads, _movement, engine, body))


@router.post("/condition")
async def condition(engine: Station, threads: DiskThreads, body: Condition) -> Response:
    await do(threads, _condition, engine, body)
    return done()


@router.post("/jobs/{job_id}/photo")
async def photo(
    request: Request,
    engine: Station,
    threads: DiskThreads,
    job_id: str,
    by: Annotated[str, Query(max_length=80)] = "",
    text: Annotated[str, Query(max_length=500)] = "",
) -> Response:
    """The bytes of one JPEG or PNG. ``web.frame.gate`` has looked at its type and length before it is read."""
    kept = await do(threads, _photo, engine, job_id, await request.body(), by, text)
    return done(name=kept["name"])
