"""The newest view for every open page, and nothing older: a slow page skips, it never holds anybody up."""

import asyncio
import json
from collections.abc import AsyncGenerator, Callable
from contextlib import aclosing

from sse_starlette.event import ServerSentEvent

from station.bay.views import BayView
from station.common import words
from web.frame.port import Engine
from web.live.live import Live, live


class Hub:
    """Lives in the server's event loop; the engine's thread reaches it only through ``call_soon_threadsafe``.

    ``number`` counts the views that arrived. A follower remembers the number it showed last and wakes when there is
    a higher one, so there is no queue to fill up. A view is made into page text once, however many pages are open.
    """

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._number = 0
        self._view: BayView | None = None
        self._made: tuple[int, Live] | None = None
        self._encoded: tuple[Live, str] | None = None
        self._woken = asyncio.Event()
        self._closed = False
        self.following = 0
        self._unsubscribe: Callable[[], None] | None = None

    def start(self) -> None:
        """Begin to listen. Call from within the event loop."""
        loop = asyncio.get_running_loop()

        def from_engine(view: BayView) -> None:
            try:
                loop.call_soon_threadsafe(self._take, view)
            except RuntimeError:
                if not loop.is_closed():  # a view that comes after the server has gone has no reader
                    raise

        self._unsubscribe = self._engine.subscribe(from_engine)

    def close(self) -> None:
        """Stop listening and let every follower end."""
        if self._unsubscribe is not None:
            self._unsubscribe()
            self._unsubscribe = None
        self._closed = True
        self._woken.set()

    def _take(self, view: BayView) -> None:
        self._view = view
        self._number += 1
        woken, self._woken = self._woken, asyncio.Event()
        woken.set()

    def newest(self) -> Live:
        """The newest view as page text; asked of the engine as long as none has arrived."""
        if self._view is None:
            return live(self._engine.view())
        if self._made is None or self._made[0] != self._number:
            self._made = (self._number, live(self._view))
        return self._made[1]

    async def events(self) -> AsyncGenerator[ServerSentEvent]:
        """``follow`` as server-sent events, led by who speaks: a page that another station began is made anew. One encoding
        serves every page."""
        speaks = [self._engine.software, words.spoken().language]
        yield ServerSentEvent(data=json.dumps(speaks), event="station")
        async with aclosing(self.follow()) as views:
            async for newest in views:
                if self._encoded is None or self._encoded[0] is not newest:
                    text = json.dumps(newest.to_dict(), ensure_ascii=False, separators=(",", ":"))
                    self._encoded = (newest, text)
                yield ServerSentEvent(data=self._encoded[1], event="view", id=str(newest.seq))

    async def follow(self) -> AsyncGenerator[Live]:
        """The newest view now, and again whenever there is a newer one. Ends when the hub closes."""
        self.following += 1
        try:
            shown = self._number
            yield self.newest()
            while not self._closed:
                if self._number == shown:
                    await self._woken.wait()
                    continue
                shown = self._number
                yield self.newest()
        finally:
            self.following -= 1
