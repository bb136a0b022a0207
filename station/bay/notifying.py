"""Sends what is in a box of notices, the roll-up's or the bay's own: one task draws, and one for each receiver sends.

A receiver that is away, hangs or refuses keeps nobody else waiting: what is recorded does not know of notices, and each receiver
has a task of its own. The roll-up runs them in its server's event loop, a bay in a thread that nobody waits for. Nothing is asked
of any address but those of the file of receivers: no redirect is followed, and no proxy is taken from the environment.
"""

import asyncio
import logging
import threading
import time
from collections.abc import Callable, Sequence
from typing import Any, TypeVar

import anyio.to_thread
import httpx
from anyio import CapacityLimiter

from station.bay.office import asked_s
from station.errors import StationError
from station.given.receivers import Receiver, trusted
from station.record.many.notices import headers
from station.record.many.tries import AWAY, LATE, Box, Claimed

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
"""For the box, beside those that others wait for."""


class Notifying:
    """Lives in an event loop. transport: how receivers are reached; tests bring their own. Raises InputError for a certificate that
    cannot be read."""

    def __init__(
        self, box: Box, receivers: Sequence[Receiver], transport: httpx.AsyncBaseTransport | None = None
    ) -> None:
        self._box, self.receivers, self._transport = box, tuple(receivers), transport
        self._trust = {one.name: trusted(one) for one in receivers}
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
        return await anyio.to_thread.run_sync(function, *values, limiter=self._threads)

    async def _draw(self) -> None:
        due_s = -DUE_S
        while True:
            try:
                for one in self.receivers:
                    await self._do(self._box.draw, one, time.monotonic() - due_s >= DUE_S)
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
                claimed = await self._do(self._box.claim, receiver.name)
                if claimed is not None:
                    wait_s = await self._send_all(receiver, claimed)
            except StationError as error:
                log.warning("notices: %s", error)
            except Exception:
                log.exception("notices could not be sent to %s", receiver.name)
            await asyncio.sleep(wait_s)

    async def _send_all(self, receiver: Receiver, claimed: Claimed | None) -> float:
        """Send one, and what else is to be tried now; how long to wait then."""
        async with httpx.AsyncClient(
            verify=self._trust[receiver.name],
            timeout=ANSWER_S,
            transport=self._transport,
            trust_env=False,
            follow_redirects=False,
        ) as client:
            while claimed is not None:
                answer, later_s = await self._post(receiver, client, claimed)
                state = await self._do(self._box.settle, receiver.name, claimed, answer, later_s)
                if state != "sent":
                    told = (claimed.id, receiver.name, answer, claimed.tries, state)
                    log.warning("notice %s to %s: %s, try %d: %s", *told)
                if answer in (LATE, AWAY):
                    return AWAY_S
                claimed = await self._do(self._box.claim, receiver.name)
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
                # Read to its end, the connection serves for the next one.
                async for part in reply.aiter_raw():
                    size += len(part)
                    if size > ANSWER_MOST:
                        break
                return str(reply.status_code), asked_s(reply.headers.get("retry-after", ""), LATER_MOST_S)
        except (TimeoutError, httpx.TimeoutException):
            return LATE, 0.0
        except (httpx.HTTPError, OSError) as error:
            log.info("%s cannot be reached: %s", receiver.name, error)
            return AWAY, 0.0


class Aside:
    """Has them sent in a thread of its own, as a bay has it."""

    def __init__(self, notifying: Notifying) -> None:
        self._notifying, self._begun = notifying, threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._run()), name="notices", daemon=True)
        self._thread.start()

    async def _run(self) -> None:
        self._loop, self._end = asyncio.get_running_loop(), asyncio.Event()
        self._begun.set()
        await self._notifying.start()
        await self._end.wait()
        await self._notifying.close()

    def close(self) -> None:
        """As of ``Notifying``."""
        self._begun.wait()
        self._loop.call_soon_threadsafe(self._end.set)
        self._thread.join(5.0)
