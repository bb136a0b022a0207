"""Requests are answered a few at a time, so that a stop never waits behind them.

The server's loop takes up what stands ready in the order in which it came, and threads that make pages share one
interpreter with the pump's: what is under way at once has to be little, however many ask. What holds and stops the pump
waits for nobody's turn.
"""

from contextlib import ExitStack

import anyio
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from web.frame.gate import LARGEST_BODY, Gate

FIRST = ("/api/stop", "/api/hold")
READS = 4
"""As many as a Pi has cores: the card is read for one page while another is filled in."""
CHANGES = 24
"""As many as there are threads for them: those that wait for the disk at once share its sync."""


class Turns:
    """An application in which requests wait for each other. A place is free again when a reply begins: who reads slowly, or
    follows the bay, keeps none, nor does a body that is still on its way. All of it lives in the server's event loop.
    """

    def __init__(self, app: ASGIApp, reads: int = READS, changes: int = CHANGES) -> None:
        self.app = app
        self._reads, self._changes = anyio.Semaphore(reads), anyio.Semaphore(changes)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["path"] in FIRST:
            await self.app(scope, receive, send)
            return
        reads = scope["method"] in ("GET", "HEAD")
        if not reads and Gate.largest_body(scope["path"]) > LARGEST_BODY:
            await self.app(scope, receive, send)  # photos and files: the gate lets in few at a time
            return
        came: list[Message] = []
        while not reads and (not came or came[-1].get("more_body", False)):
            came.append(await receive())
        places = self._reads if reads else self._changes
        await places.acquire()
        with ExitStack() as place:
            place.callback(places.release)
            if reads:  # the gate lets nobody in who reads and sends a body: there is nothing to wait for
                came.append(await receive())
                if came[0]["type"] == "http.disconnect":
                    return  # gone meanwhile, and a page for nobody takes as long

            async def receive_again() -> Message:
                return came.pop(0) if came else await receive()

            async def leave_and_send(message: Message) -> None:
                place.close()
                await send(message)

            await self.app(scope, receive_again, leave_and_send)
