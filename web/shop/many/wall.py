"""The live wall of a shop: every bay's stage and figure on one screen, from each bay's own stream.

The roll-up follows the streams, one task for each bay whose address it knows, and begins anew by itself where one breaks off.
Browsers follow the roll-up: one stream, whatever the number of bays.
"""

import asyncio
import contextlib
import json
import logging
import time
from collections.abc import AsyncGenerator, Callable, Container, Mapping
from dataclasses import asdict, dataclass, replace
from datetime import UTC, tzinfo
from typing import Annotated, Any

import anyio.to_thread
import httpx
from fastapi import APIRouter, Depends, Request
from sse_starlette.event import ServerSentEvent
from starlette.responses import Response

from station.common.days import zone_of
from station.common.words import N_, _
from station.errors import StationError
from station.record.many import queries
from station.record.many.store import Reporting, Store, reporting
from web.frame import format as fmt
from web.frame.deps import page_of, streamed
from web.frame.door import TheAccess, TheSession, shown
from web.shop.many.asked import TheShops

log = logging.getLogger(__name__)

AGAIN_S = 1.0
STALE_S = 3.0
"""A bay's stream has a view ten times a second; one that was silent for so long is said to be."""
LOOK_S = 10.0
"""Bays that were entered since are looked for so often."""
TELL_S = 0.5
LINE_MOST = 512 * 1024
router = APIRouter()
logging.getLogger("httpx").setLevel(logging.WARNING)  # a line for each stream that is opened says nothing


@dataclass(frozen=True)
class BayNow:
    """One bay as its own page shows it. name: as it calls itself, "" before it ever did. live: whether its stream is heard. figure,
    label: what the stage is about; doubt: what stands behind a figure's number. said: what somebody should know of it besides. since: when its record last came, said of one that is not
    heard."""

    shop: str
    bay: str
    page: str
    live: bool = False
    stage: str = ""
    job: str = ""
    label: str = ""
    figure: str = ""
    doubt: str = ""
    verdict: str = ""
    tone: str = ""
    name: str = ""
    said: str = ""
    since: str = ""


FIGURES = {
    "plan": (N_("Expected"), "expected"),
    "drain": (N_("Drained"), "drained"),
    "drip": (N_("Drained"), "drained"),
    "reseal": (N_("Drained"), "drained"),
    "fill": (N_("To go"), "to_go"),
    "settle": (N_("Filled"), "filled"),
    "leak watch": (N_("Filled"), "filled"),
    "closed": (N_("Filled"), "filled"),
}
"""Stage → what is shown large, and under which name the bay's stream has it."""


def read(before: BayNow, told: Mapping[str, Any]) -> BayNow:
    """A bay's newest view. Anything that is missing in it is left empty."""
    text, flag = told.get("text", {}), told.get("flag", {})
    stage = str(told.get("stage", ""))
    label, name = FIGURES.get(stage, ("", ""))
    figure, mark, doubt = str(text.get(name, "")).partition("±")
    return replace(
        before,
        live=True,
        stage=_("idle") if stage == "idle" else _(stage),
        job=str(text.get("job", "")) if flag.get("job") else _("no job in this bay"),
        label=_(label) if flag.get("job") else "",
        figure=figure.strip() if flag.get("job") else "",
        doubt=f"{mark}{doubt}" if flag.get("job") else "",
        verdict=str(text.get("verdict.word", "")) if flag.get("verdict") else "",
        tone=str(text.get("verdict.tone", "")) if flag.get("verdict") else "",
    )


class Wall:
    """Lives in the server's event loop. transport: how bays are reached; tests bring their own."""

    def __init__(self, store: Store, transport: httpx.AsyncBaseTransport | None = None) -> None:
        self._store, self._transport = store, transport
        self._bays: dict[tuple[str, str], BayNow] = {}
        self._heard_s: dict[tuple[str, str], float] = {}
        self._following: dict[tuple[str, str], asyncio.Task[None]] = {}
        self._looking: asyncio.Task[None] | None = None
        self._closed = False

    async def start(self) -> None:
        self._looking = asyncio.create_task(self._look())

    async def close(self) -> None:
        self._closed = True
        tasks = [task for task in (self._looking, *self._following.values()) if task is not None]
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    def now(self, shops: Container[str]) -> list[BayNow]:
        """Every bay of these shops whose address is known; one that is not heard shows nothing else."""
        now_s, found = time.monotonic(), []
        for key, bay in sorted(self._bays.items()):
            if bay.shop not in shops:
                continue
            if not bay.live or now_s - self._heard_s.get(key, 0.0) > STALE_S:
                said, since = bay.said or bay.since, bay.since
                bay = BayNow(bay.shop, bay.bay, bay.page, name=bay.name, said=said, since=since)
            found.append(bay)
        return found

    async def events(
        self, shops: Container[str], may: Callable[[], bool] = lambda: True
    ) -> AsyncGenerator[ServerSentEvent]:
        """may: asked each time whether whoever looks still may; the stream ends when not."""
        while not self._closed and may():
            yield ServerSentEvent(data=json.dumps([asdict(bay) for bay in self.now(shops)]), event="bays")
            await asyncio.sleep(TELL_S)

    def _known(self) -> tuple[list[Reporting], dict[str, tzinfo]]:
        """Every bay, and whose days each shop's are."""
        with self._store.connection() as db:
            shops = [queries.shops(db, company) for company in queries.companies(db)]
            return reporting(db), {shop: zone_of(zone) for of in shops for shop, zone in of.items()}

    async def _look(self) -> None:
        while True:
            try:
                known, zones = await anyio.to_thread.run_sync(self._known)
            except StationError as error:
                log.warning("%s", error)
                known, zones = [], {}
            for one in known:
                key = (one.shop, one.bay)
                if one.gone_at is not None:
                    self._leave(key)
                    continue
                if not one.page:
                    continue
                said = "" if one.heard else _("⚠ nothing of its record has arrived here")
                since = ""
                if one.heard:
                    when = fmt.moment(one.heard, zones.get(one.shop, UTC))
                    since = _("its record last came {when}").format(when=when)
                before = self._bays.get(key, BayNow(one.shop, one.bay, one.page))
                self._bays[key] = replace(before, name=one.name, said=said, since=since)
                if key not in self._following:
                    self._following[key] = asyncio.create_task(self._follow(key, one.page.rstrip("/")))
            await asyncio.sleep(LOOK_S)

    def _leave(self, key: tuple[str, str]) -> None:
        """A bay that left stands on the wall no more."""
        self._bays.pop(key, None)
        if (following := self._following.pop(key, None)) is not None:
            following.cancel()

    async def _follow(self, key: tuple[str, str], page: str) -> None:
        """For as long as the server runs: a bay that is off, or goes off, is asked again after a second."""
        timeout = httpx.Timeout(10.0, read=20.0)
        while True:
            with contextlib.suppress(httpx.HTTPError, ValueError, OSError):
                async with (
                    httpx.AsyncClient(timeout=timeout, transport=self._transport, trust_env=False) as client,
                    client.stream("GET", f"{page}/live") as reply,
                ):
                    reply.raise_for_status()
                    await self._read(key, reply)
            await asyncio.sleep(AGAIN_S)

    async def _read(self, key: tuple[str, str], reply: httpx.Response) -> None:
        async for line in reply.aiter_lines():
            if line.startswith("data:") and len(line) < LINE_MOST:
                told = json.loads(line.removeprefix("data:"))
                if isinstance(told, dict):
                    self._bays[key] = read(self._bays[key], told)
                    self._heard_s[key] = time.monotonic()


def _wall(request: Request) -> Wall:
    wall: Wall = request.app.state.wall
    return wall


TheWall = Annotated[Wall, Depends(_wall)]


@dataclass(frozen=True)
class WallPage:
    bays: list[BayNow]


@router.get("/wall", include_in_schema=False)
def page(wall: TheWall, shops: TheShops) -> Response:
    return page_of("many_wall.html", WallPage(wall.now(shops.zones)))


@router.get("/wall/live", include_in_schema=False)
async def live(
    request: Request, wall: TheWall, access: TheAccess, session: TheSession, shops: TheShops
) -> Response:
    """Every bay now, twice a second, for as long as whoever looks is signed in; looking counts as use."""
    token = shown(request)[0]
    seen = frozenset(shops.zones)
    events = wall.events(seen, lambda: session is None or access.session(token) is not None)
    return streamed(events)
