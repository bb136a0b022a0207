"""Sends what is in the box of notices, in the server's own event loop: one task draws, and one for each receiver sends.

A receiver that is away, hangs or refuses keeps nobody else waiting: ingest does not know of notices, and each receiver has a
task of its own. Nothing is asked of any address but those of the file of receivers: no redirect is followed, and no proxy is
taken from the environment.
"""

import asyncio
import logging
import ssl
import time
from collections.abc import Callable, Sequence
from typing import Any, TypeVar

import anyio.to_thread
import httpx
from anyio import CapacityLimiter

from station.errors import InputError, StationError
from station.given.receivers import Receiver
from station.record.many import notice_box, queries
from station.record.many.ingest import Db
from station.record.many.notice_box import AWAY, LATE, Claimed
from station.record.many.notices import headers
from station.record.many.store import Store

T = TypeVar("T")
log = logging.getLogger(__name__)

LOOK_S = 1.0
"""So soon what arrived is drawn, and what was drawn is sent."""
DUE_S = 3600.0
"""So often certificates are looked at."""
ANSWER_S = 20.0
"""So long a receiver may take for an answer, whole (Standard Webhooks 1.0, request timeouts: 15 to 30 s)."""
AWAY_S = 5.0
"""After a try without an answer no other bay's notice is tried at that receiver for so long."""
LATER_MOST_S = 86_400.0
ANSWER_MOST = 64 * 1024
THREADS = 2
"""For the database, beside those that take batches and read pages."""


class Notifying:
    """Lives in the server's event loop. company: of whose shops the receivers are told. transport: how receivers are reached;
    tests bring their own. Raises InputError for a certificate that cannot be read."""

    def __init__(
        self,
        store: Store,
        receivers: Sequence[Receiver],
        company: str = "",
        transport: httpx.AsyncBaseTransport | None = None,
    ) -> None:
        self._store, self.receivers, self._company, self._transport = (
            store,
            tuple(receivers),
            company,
            transport,
        )
        self._trust = {one.name: _trust(one) for one in receivers}
        self._threads: CapacityLimiter | None = None
        self._tasks: list[asyncio.Task[None]] = []

    async def start(self) -> None:
        self._threads = CapacityLimiter(THREADS)
        if self.receivers:
            tasks = (self._draw(), *(self._send(one) for one in self.receivers))
            self._tasks = [asyncio.create_task(task) for task in tasks]

    async def close(self) -> None:
        """What is under way is given up, and goes out again after the next start."""
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def _do(self, function: Callable[..., T], *values: Any) -> T:
        def run() -> T:
            with self._store.connection() as db:
                return function(db, self._whose(db), *values)

        return await anyio.to_thread.run_sync(run, limiter=self._threads)

    def _whose(self, db: Db) -> str:
        return self._company or next(iter(queries.companies(db)), "")

    async def _draw(self) -> None:
        due_s = -DUE_S
        while True:
            try:
                for one in self.receivers:
                    await self._do(_drawn, one, time.monotonic() - due_s >= DUE_S)
                if time.monotonic() - due_s >= DUE_S:
                    due_s = time.monotonic()
            except StationError as error:
                log.warning("notices: %s", error)
            except Exception:  # whatever it is, other systems must not be told nothing without a word
                log.exception("notices could not be drawn")
            await asyncio.sleep(LOOK_S)

    async def _send(self, receiver: Receiver) -> None:
        while True:
            wait_s = LOOK_S
            try:
                async with httpx.AsyncClient(
                    verify=self._trust[receiver.name],
                    timeout=ANSWER_S,
                    transport=self._transport,
                    trust_env=False,
                    follow_redirects=False,
                ) as client:
                    wait_s = await self._send_all(receiver, client)
            except StationError as error:
                log.warning("notices: %s", error)
            except Exception:
                log.exception("notices could not be sent to %s", receiver.name)
            await asyncio.sleep(wait_s)

    async def _send_all(self, receiver: Receiver, client: httpx.AsyncClient) -> float:
        """Send what is to be tried now; how long to wait then."""
        while claimed := await self._do(notice_box.claim, receiver.name):
            answer, later_s = await self._post(receiver, client, claimed)
            state = await self._do(notice_box.settle, receiver.name, claimed, answer, later_s)
            if state != "sent":
                log.warning(
                    "notice %s to %s: %s, try %d: %s", claimed.id, receiver.name, answer, claimed.tries, state
                )
            if answer in (LATE, AWAY):
                return AWAY_S
        return LOOK_S

    async def _post(
        self, receiver: Receiver, client: httpx.AsyncClient, claimed: Claimed
    ) -> tuple[str, float]:
        """What the receiver answers, and how long it asks to be left alone, in seconds."""
        body = claimed.body.encode()
        head = headers(claimed.id, body, int(time.time()), receiver.secrets)
        try:
            async with (
                asyncio.timeout(ANSWER_S),
                client.stream("POST", receiver.rules.address, content=body, headers=head) as reply,
            ):
                size = 0
                async for (
                    part
                ) in reply.aiter_raw():  # read to its end, the connection serves for the next one
                    size += len(part)
                    if size > ANSWER_MOST:
                        break
                return str(reply.status_code), _later(reply.headers.get("retry-after", ""))
        except (TimeoutError, httpx.TimeoutException):
            return LATE, 0.0
        except (httpx.HTTPError, OSError) as error:
            log.info("%s cannot be reached: %s", receiver.name, error)
            return AWAY, 0.0


def _drawn(db: Db, company: str, receiver: Receiver, due: bool) -> None:
    if company:
        notice_box.enrol(db, company, receiver)
        notice_box.draw(db, company, receiver)
        if due:
            notice_box.draw_due(db, company, receiver)


def _later(text: str) -> float:
    """Of the header Retry-After, where it names seconds (RFC 9110, 10.2.3)."""
    return min(float(text), LATER_MOST_S) if text.isascii() and text.isdigit() else 0.0


def _trust(receiver: Receiver) -> ssl.SSLContext | bool:
    path = receiver.rules.certificate
    if path is None:
        return True
    try:
        return ssl.create_default_context(cafile=path)
    except (OSError, ssl.SSLError) as error:
        raise InputError(
            f"{path}: cannot be read as a certificate ({error}); expected a file in PEM."
        ) from error
