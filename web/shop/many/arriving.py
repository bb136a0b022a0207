"""Where bays bring their records: each shows its token, asks how far the roll-up is, and sends what comes next."""

import hashlib
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from typing import Annotated

import anyio.to_thread
from fastapi import APIRouter, Header, Query, Request
from starlette.requests import ClientDisconnect
from starlette.responses import JSONResponse, Response

from station.common.words import _
from station.learning import teaching
from station.people import downward
from station.record.many import ingest, lists
from station.record.many.connecting import NoAnswer
from station.record.many.ingest import Bay, Db
from station.record.many.store import Store
from web.frame.door import TheAccess
from web.frame.gate import BATCH
from web.frame.problem import Problem
from web.shop.many.asked import TheStore
from web.shop.many.in_line import Line

TAKE_THREADS = 4
"""Batches at a time where the server takes them in itself; more wait in line, see ``in_line``."""
KNOWN_S, KNOWN_MOST = 600.0, 20_000
"""For how long, and of how many bays, it is known whose token that is before its next batch comes; the batch itself is held to it."""
router = APIRouter()
After = Annotated[int, Query(ge=0, le=1 << 62)]
Token = Annotated[str, Header(alias="Authorization", max_length=300)]


class Known:
    """Tokens that were a bay's lately, as their digests. A body holds a place in line for as long as it comes, so whoever shows none of
    these is looked up first: a stranger has no place."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._seen_s: dict[bytes, float] = {}

    def lately(self, token: str) -> bool:
        return self._clock() - self._seen_s.get(_digest(token), -KNOWN_S) < KNOWN_S

    def keep(self, token: str) -> None:
        if len(self._seen_s) >= KNOWN_MOST:
            self._seen_s.clear()
        self._seen_s[_digest(token)] = self._clock()


def _digest(token: str) -> bytes:
    return hashlib.sha256(token.encode()).digest()


def _shown(token: str) -> str:
    return token.removeprefix("Bearer ").strip()


def _head(store: Store, token: str) -> int:
    with store.bay(token) as (db, bay):
        return ingest.head_of(db, bay).seq


@contextmanager
def _in_use(store: Store, token: str) -> Iterator[tuple[Db, Bay]]:
    """Whose token this is; nothing for a bay that was retired: it may be anybody's by now."""
    with store.bay(_shown(token)) as (db, bay):
        if bay.gone:
            raise Problem(
                403,
                _("Retired"),
                _("This bay was retired. Its record is taken, and nothing goes down to it."),
            )
        yield db, bay


@router.get("/api/bays/head", include_in_schema=False)
async def head(request: Request, store: TheStore, newest: After = 0, token: Token = "") -> Response:
    """newest: where the bay's record ends; whoever is far behind that hears at once whether there is room."""
    seq = await anyio.to_thread.run_sync(_head, store, _shown(token))
    line: Line = request.app.state.line
    line.need_room(newest - seq)
    return JSONResponse({"seq": seq})


@router.get("/api/bays/lists", include_in_schema=False)
def issues(store: TheStore, after: After = 0, token: Token = "") -> Response:
    """What was changed in the lists of the bay's shop behind a version."""
    with _in_use(store, token) as (db, bay):
        found = lists.issued(db, [bay.shop], after, lists.ISSUES_MOST)
    return JSONResponse({"issues": [one.told() for one in found]})


@router.get("/api/bays/fills", include_in_schema=False)
def fills(store: TheStore, after: After = 0, token: Token = "") -> Response:
    """What changed in what the bay's sisters filled, behind a version."""
    with _in_use(store, token) as (db, bay):
        found = teaching.told(db, bay, after)
    return JSONResponse({"issues": [one.body() for one in found]})


@router.get("/api/bays/people", include_in_schema=False)
def people(store: TheStore, access: TheAccess, token: Token = "") -> Response:
    """Everybody who is bound to the bay's shop, with what is kept of their secrets."""
    with _in_use(store, token) as (_db, bay):
        shop, moved = bay.shop, bay.moved
    if access.people is None:
        raise Problem(
            404, _("Nobody to tell of"), _("Where nobody is asked to sign in, no bay is told who may.")
        )
    version, everybody = access.people.version, access.people.all()
    return JSONResponse(downward.of_shop(everybody, shop, _of_people(version, moved)))


def _of_people(version: int, moved: str) -> int:
    """Of which version a bay is told: another one once it moved, or it would keep its former shop's people until the next change."""
    return version + (int(datetime.fromisoformat(moved).timestamp() * 1000) if moved else 0)


@router.post(BATCH, include_in_schema=False)
async def take(request: Request, access: TheAccess, token: Token = "") -> Response:
    """On disk when it answers."""
    state = request.app.state
    line: Line = state.line
    known: Known = state.known
    shown = _shown(token)
    if not known.lately(shown):
        await anyio.to_thread.run_sync(_head, state.store, shown)
        known.keep(shown)
    with line.place(int(request.headers["content-length"])) as lane:
        data = await request.body()
        async with line.turn(lane):
            if await request.is_disconnected():  # the bay sends it again, and would wait for this one then
                raise ClientDisconnect
            try:
                told = await anyio.to_thread.run_sync(state.take, shown, data, limiter=state.take_threads)
            except NoAnswer:
                state.takes = False
                raise
            state.takes = True
    gone, moved = told.pop("gone"), told.pop("moved")
    people = 0 if access.people is None or gone else _of_people(access.people.version, moved)
    return JSONResponse({**told, "people": people, "rest_s": line.rest_s(lane)})
