"""What every page's module needs: the engine, the threads that wait, how a body is checked, how a reply is made."""

import re
from collections.abc import AsyncGenerator, AsyncIterator, Callable, Iterator
from contextlib import aclosing
from typing import Annotated, Any, TypeVar

import anyio.to_thread
from anyio import CapacityLimiter
from fastapi import Depends, Query, Request
from pydantic import BaseModel, ConfigDict, Field
from sse_starlette.event import ServerSentEvent
from sse_starlette.sse import EventSourceResponse
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response, StreamingResponse

from station.common.spared import spare
from station.common.words import _
from station.record.archive import JobRecord
from web.frame.port import Engine
from web.frame.problem import Problem
from web.frame.render import BEHIND, render

spare("pydantic.v1")  # fastapi asks of every body whether its model is of that older kind

T = TypeVar("T")

PING_S = 15
SEND_TIMEOUT_S = 5.0
ENDING_S = 1.0
"""For the next event when the server ends; within the two seconds that it gives its answers (``web.server.SHUTDOWN_S``)."""
Key = Annotated[str, Field(min_length=1, max_length=80)]
Line = Annotated[str, Field(max_length=200)]
Remark = Annotated[str, Field(max_length=1000)]


class Body(BaseModel):
    """A request's body: nothing that its class does not name, and no type turned into another."""

    model_config = ConfigDict(extra="forbid", strict=True)


def _engine(request: Request) -> Engine:
    engine: Engine = request.app.state.engine
    return engine


def _change_threads(request: Request) -> CapacityLimiter:
    threads: CapacityLimiter = request.app.state.change_threads
    return threads


def _disk_threads(request: Request) -> CapacityLimiter:
    threads: CapacityLimiter = request.app.state.disk_threads
    return threads


Station = Annotated[Engine, Depends(_engine)]
ChangeThreads = Annotated[CapacityLimiter, Depends(_change_threads)]
"""Threads kept for what holds and stops the pump, so that neither slow page loads nor a slow disk keep it waiting."""
DiskThreads = Annotated[CapacityLimiter, Depends(_disk_threads)]
"""Threads for what goes into the record, which wait for the disk; no stop ever waits behind one."""
Before = Annotated[str | None, Query(max_length=100)]
Limit = Annotated[int, Query(ge=1, le=10_000)]


async def do(threads: CapacityLimiter, function: Callable[..., T], *values: Any) -> T:
    """Run a function in one of those threads."""
    return await anyio.to_thread.run_sync(function, *values, limiter=threads)


def done(**more: Any) -> Response:
    """The reply to a change that was made."""
    return JSONResponse({"done": True, **more})


def page_of(template: str, page: object) -> HTMLResponse:
    """A template with its context."""
    return HTMLResponse(render(template, page=page))


def job_of(engine: Engine, job_id: str) -> JobRecord:
    """A job's record. Raises Problem 404 for an unknown id."""
    try:
        return engine.job(job_id)
    except KeyError:
        raise Problem(
            404,
            _("No such job"),
            _("There is no job {job_id!r} in the ledger. See the job list.").format(job_id=job_id[:60]),
        ) from None


def is_simulated(engine: Engine) -> bool:
    return engine.backend == "simulated"


def streamed(events: AsyncGenerator[ServerSentEvent]) -> Response:
    """Events as they come. Where the server ends, so does the answer, whole: a browser's is cut short by no fault of ours."""
    ending = anyio.Event()

    async def until_then() -> AsyncIterator[ServerSentEvent]:
        async with aclosing(events):
            async for event in events:
                yield event
                if ending.is_set():
                    return

    return EventSourceResponse(
        until_then(),
        ping=PING_S,
        send_timeout=SEND_TIMEOUT_S,
        shutdown_event=ending,
        shutdown_grace_period=ENDING_S,
    )


def download(content: str | bytes | Iterator[str], name: str, media_type: str) -> Response:
    """Something to be kept as a file, or the parts of it as they come; the name is reduced to what every file system takes."""
    safe = re.sub(r"[^A-Za-z0-9._-]", "_", f"simulated-{name}" if BEHIND.get().simulated else name)
    headers = {"Content-Disposition": f'attachment; filename="{safe}"'}
    if isinstance(content, str | bytes):
        return PlainTextResponse(content, media_type=media_type, headers=headers)
    return StreamingResponse(content, media_type=media_type, headers=headers)
