"""Everything that changes something. Each takes JSON by POST, passes ``web.frame.gate`` first, and answers with JSON.

What goes into the record is on disk before it is answered, and waits for that on threads of its own; what holds or stops
the pump waits for nothing.
"""

import math
from dataclasses import replace
from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Request
from pydantic import Field
from starlette.responses import Response

from station.bay.plan import PlanForm
from station.common.words import _
from station.errors import Asked, InputError
from station.given.bench import BenchVerb
from station.given.evidence import ContainerWeighing
from station.given.said import Came, Mark, SetAside
from station.record.author import BY
from web.frame.amounts import mass_kg, plain, volume_l
from web.frame.deps import Body, ChangeThreads, DiskThreads, Key, Line, Remark, Station, do, done
from web.frame.port import Engine
from web.frame.problem import Problem
from web.live.hold import Holder

LEAST_U_KG = 0.001
"""No scale that takes a container weighs it better."""

router = APIRouter(prefix="/api")
Word = Field(strict=False)
"""A field that holds one of a type's words: JSON has it as text."""


class Check(Body):
    key: Key
    done: bool


class Marked(Body):
    """reason: why a job whose fill is not full is closed as it is. ask: the page's own buttons say so; a program that marks is
    asked nothing."""

    mark: Annotated[Mark, Word]
    reason: Annotated[str, Field(max_length=200)] = ""
    ask: bool = False


class Hold(Body):
    """grip: a name for one press of the control, made up by the page."""

    held: bool
    grip: Key


class Note(Body):
    kind: Annotated[str, Field(min_length=1, max_length=40)]
    text: Remark


class Reason(Body):
    reason: Remark


class Verb(Body):
    verb: Annotated[BenchVerb, Word]


class Override(Body):
    kind: Annotated[SetAside, Word]
    reason: Remark


class Purge(Body):
    begin: bool


class Answer(Body):
    """What the technician says a step on the pan was."""

    step: Key
    answer: Annotated[Came, Word]


class Interruption(Body):
    """What happened while the station was stopped in the middle of a job."""

    pan_moved: bool
    filled: bool


class Drum(Body):
    """Another container at the pump. left: what is in it, with its unit."""

    container: Key
    fluid: Key
    left: Key


class Weighed(Body):
    """What a shop scale showed for the container. division: the step of its display; empty where nobody knows."""

    which: Literal["before", "after"]
    weight: Key
    division: Line = ""


class Nothing(Body):
    pass


def _holder(request: Request) -> Holder:
    holder: Holder = request.app.state.holder
    return holder


TheHolder = Annotated[Holder, Depends(_holder)]


def as_planned(body: PlanForm) -> PlanForm:
    """The form with its amounts as files have them. Raises InputError as ``web.frame.amounts.plain``."""
    return replace(
        body,
        capacity=plain(_("Listed capacity"), body.capacity),
        distance=plain(_("Vehicle's distance"), body.distance),
        tolerance_minus=plain(_("Tolerance below"), body.tolerance_minus),
        tolerance_plus=plain(_("Tolerance above"), body.tolerance_plus),
    )


@router.post("/job")
async def open_job(engine: Station, threads: DiskThreads, body: PlanForm) -> Response:
    """Every job has a name to it: the one that was typed, or whoever is signed in."""
    form = replace(as_planned(body), technician=body.technician.strip() or BY.get())
    if not form.technician:
        raise InputError(_("Technician: pick or type who does this job."))
    return done(job_id=await do(threads, engine.open_job, form))


@router.post("/check")
async def check(engine: Station, threads: DiskThreads, body: Check) -> Response:
    await do(threads, engine.check, body.key, body.done)
    return done()


def _mark(engine: Engine, mark: Mark, reason: str, ask: bool) -> None:
    """A fill that is refused for a likely unit mix-up is a question to the technician, and has a status of its own."""
    try:
        engine.mark(mark, reason, ask)
    except InputError as error:
        if isinstance(error, Asked):
            raise Problem(409, _("Drained and expected do not agree"), str(error)) from error
        if mark is Mark.FILL_START and _unit_in_doubt(engine):
            raise Problem(409, _("Probably another unit"), str(error)) from error
        raise


def _unit_in_doubt(engine: Engine) -> bool:
    """Whether nothing but the doubt can have refused the fill: its mark was to be had, and the cause is likely."""
    view = engine.view()
    if view.job is None or not any(m.mark is Mark.FILL_START and m.enabled for m in view.next_marks):
        return False
    causes = engine.causes(view.job.job_id).causes
    return any(cause.kind == "unit_mixup" and cause.certainty == "likely" for cause in causes)


@router.post("/mark")
async def mark(engine: Station, threads: DiskThreads, body: Marked) -> Response:
    await do(threads, _mark, engine, body.mark, body.reason, body.ask)
    return done()


@router.post("/hold")
async def hold(holder: TheHolder, threads: ChangeThreads, body: Hold) -> Response:
    """A beat of the hold-to-run control, or its release."""
    await do(threads, holder.beat if body.held else holder.let_go, body.grip)
    return done(held=body.held)


@router.post("/stop")
async def stop(engine: Station, holder: TheHolder, threads: ChangeThreads, body: Nothing) -> Response:
    """Stop the pump, whoever holds it. A stop, not an emergency stop: that one is hard-wired."""

    def both() -> None:
        try:
            engine.stop()
        finally:
            holder.end(by_stop=True)

    await do(threads, both)
    return done()


@router.post("/top-up")
async def top_up(engine: Station, threads: DiskThreads, body: Nothing) -> Response:
    await do(threads, engine.top_up)
    return done()


@router.post("/purge")
async def purge(engine: Station, threads: DiskThreads, body: Purge) -> Response:
    """Begin or end running the hose's old fluid into a waste vessel."""
    await do(threads, engine.purge, body.begin)
    return done()


@router.post("/override")
async def override(engine: Station, threads: DiskThreads, body: Override) -> Response:
    """Go on in spite of what holds the pump off, with a reason for the record."""
    await do(threads, engine.override, body.kind, body.reason)
    return done()


@router.post("/answer")
async def answer(engine: Station, threads: DiskThreads, body: Answer) -> Response:
    await do(threads, engine.answer, body.step, body.answer)
    return done()


@router.post("/interruption")
async def interruption(engine: Station, threads: DiskThreads, body: Interruption) -> Response:
    await do(threads, engine.answer_interruption, body.pan_moved, body.filled)
    return done()


@router.post("/drum")
async def drum(engine: Station, threads: DiskThreads, body: Drum) -> Response:
    left_l = volume_l(_("What is left"), body.left, engine.settings().country)
    await do(threads, engine.connect_drum, body.container, body.fluid, left_l)
    return done()


@router.post("/container")
async def container(engine: Station, threads: DiskThreads, body: Weighed) -> Response:
    kg = mass_kg(_("The container's weight"), body.weight)
    u_kg = ContainerWeighing.u_kg
    if body.division.strip():
        # OIML R 76: in the middle of its range a scale of class III may be off by one division (from memory)
        u_kg = max(LEAST_U_KG, mass_kg(_("The scale's step"), body.division) / math.sqrt(3.0))
    await do(threads, engine.weigh_container, body.which, kg, u_kg)
    return done()


@router.post("/clear-pump")
async def clear_pump(engine: Station, threads: ChangeThreads, body: Nothing) -> Response:
    await do(threads, engine.clear_pump)
    return done()


@router.post("/note")
async def note(engine: Station, threads: DiskThreads, body: Note) -> Response:
    await do(threads, engine.note, body.kind, body.text)
    return done()


@router.post("/abandon")
async def abandon(engine: Station, threads: DiskThreads, body: Reason) -> Response:
    await do(threads, engine.abandon, body.reason)
    return done()


@router.post("/bench")
async def bench(engine: Station, threads: ChangeThreads, body: Verb) -> Response:
    if engine.backend != "simulated":
        raise Problem(404, _("No bench here"), _("A real bay has no bench panel."))
    await do(threads, engine.bench, body.verb)
    return done()
