"""Batches in line: which is taken in next, and who is asked to come again later, where too many bays come at once.

After an outage every bay brings a week at once. A few of today's entries do not wait behind that: a short batch goes before the long
ones, each of which lets pass what comes within ``LONG_S`` of it and no more. Of either kind no more are in hand than are taken in
while their bays wait for the answer. Whoever comes beyond that is sent away, with a time to come again (503 and Retry-After,
RFC 9110, 10.2.3): one after the other, somewhat faster than they can be taken in. It then asks first where its record is here, which
costs little, and is told then whether there is room: so nobody sends whole batches in vain for long. All of it lives in the
server's event loop.
"""

import heapq
import itertools
import math
import time
from asyncio import Future, get_running_loop
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager

from station.common.words import _
from web.frame.gate import LARGEST_BODY, LONG_BODIES
from web.frame.problem import Crowded

WAIT_S = 5.0
"""What is in hand is taken in within about so long: a quarter of what a bay waits for an answer."""
BYTES_MOST = LONG_BODIES * 3 // 4
"""Of batches in hand: the gate sends away at more, and knows of no turns."""
LONG_S = 10.0
"""Longer than what is in hand takes, or a short one would wait for those who came before; shorter than bays wait."""
PACE_S = 0.1
"""So long a batch is said to take before one was: three times what it takes on two idle cores."""
NEWEST = 0.1
"""How much the newest batch's time counts among those before."""
EARLY = 0.4
"""Bays are sent for in so much of the time that their batches would take by what they took of late. While all come at once that is
long; some that ask in vain cost less than a line in which nobody stands."""
AGAIN_MOST_S = 60
FEW = 100
"""So many entries go in a short batch."""


class Lane:
    """Batches of one kind. patience_s: for how long it lets others that come after pass."""

    def __init__(self, patience_s: float, takers: int) -> None:
        self.patience_s, self._takers = patience_s, takers
        self.in_hand = self.bytes = 0
        self._pace_s = PACE_S
        self._next_s = 0.0

    @property
    def most(self) -> int:
        """So many may be in hand; two for each that is taken in at least, or one would wait for bays."""
        return max(2 * self._takers, int(WAIT_S * self._takers / self._pace_s))

    def full(self, size: int) -> bool:
        return self.in_hand >= self.most or (self.in_hand > 0 and self.bytes + size > BYTES_MOST)

    def took(self, s: float) -> None:
        self._pace_s += NEWEST * (s - self._pace_s)

    def again_s(self, now_s: float) -> int:
        """When another is to come, in whole seconds from now; it is kept free for it."""
        self._next_s = max(self._next_s, now_s) + EARLY * self._pace_s / self._takers
        return min(AGAIN_MOST_S, math.ceil(self._next_s - now_s))

    def rest_s(self, now_s: float) -> int:
        """How long somebody who was just served leaves the place to those who were sent away; 0 where nobody was."""
        return self.again_s(now_s) if self._next_s > now_s else 0


class Line:
    """takers: so many batches are taken in at a time."""

    def __init__(self, takers: int, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock, self._free = clock, takers
        self._short, self._long = Lane(0.0, takers), Lane(LONG_S, takers)
        self._waiting: list[tuple[float, int, Future[None]]] = []
        self._came = itertools.count()

    def need_room(self, behind: int) -> None:
        """Raises Crowded where a bay that is so many entries behind would be sent away."""
        if behind > FEW:
            self._admit(self._long, LARGEST_BODY + 1)

    @contextmanager
    def place(self, size: int) -> Iterator[Lane]:
        """A place for a batch of so many bytes, from before they have come until it is taken in. Raises Crowded."""
        lane = self._long if size > LARGEST_BODY else self._short
        self._admit(lane, size)
        lane.in_hand += 1
        lane.bytes += size
        try:
            yield lane
        finally:
            lane.in_hand -= 1
            lane.bytes -= size

    @asynccontextmanager
    async def turn(self, lane: Lane) -> AsyncIterator[None]:
        """Wait until it is this batch's turn, and be one of those that are taken in."""
        if self._free:
            self._free -= 1
        else:
            mine = get_running_loop().create_future()
            heapq.heappush(self._waiting, (self._clock() + lane.patience_s, next(self._came), mine))
            try:
                await mine
            except BaseException:
                if mine.done() and not mine.cancelled():  # it had its turn in the moment that it went
                    self._over()
                raise
        begun_s = self._clock()
        try:
            yield
            lane.took(self._clock() - begun_s)
        finally:
            self._over()

    def rest_s(self, lane: Lane) -> int:
        return lane.rest_s(self._clock())

    def _admit(self, lane: Lane, size: int) -> None:
        if lane.full(size):
            raise Crowded(
                503,
                _("Many bays at once"),
                _("Other bays' entries are being taken in. This bay's turn comes, and nothing is lost."),
                lane.again_s(self._clock()),
            )

    def _over(self) -> None:
        while self._waiting:
            mine = heapq.heappop(self._waiting)[2]
            if not mine.done():
                mine.set_result(None)
                return
        self._free += 1
