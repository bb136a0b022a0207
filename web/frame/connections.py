"""Connections, so that no number of half or silent ones keeps a stop from getting through.

A request comes whole within a time, or its connection is closed; a reply is read at some pace, or it is. Where there
are as many connections as there may be, a new one takes the place of the oldest that has no whole request standing. One
address gets no more than its share. All of it lives in the server's event loop.
"""

import asyncio
import ipaddress
import json
import logging
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from http import HTTPStatus
from typing import Protocol

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

from station.common.words import _
from web.frame.gate import SECURITY_HEADERS

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Limits:
    """What a connection may take.

    handshake_s: for that of TLS. head_s: for a request's head, from the first byte, or from the connecting. body_s, body_bytes: that much of a body
    within that time, until it is whole; a photo of 12 MB may take a quarter of an hour on a bad network. drain_s,
    drain_bytes: as much of a reply that has piled up is taken within that time. linger_s: for a body that comes on
    after its answer. most, of_one: connections at all, and of one address; a page takes up to six. So many at all
    that half requests end by their time rather than make way for each other, which costs more. A loopback address has no share: a reverse proxy brings everybody from there.
    """

    handshake_s: float = 10.0
    head_s: float = 10.0
    body_s: float = 10.0
    body_bytes: int = 128 * 1024
    drain_s: float = 15.0
    drain_bytes: int = 32 * 1024
    linger_s: float = 2.0
    most: int = 2000
    of_one: int = 128


class Closable(Protocol):
    """What the list of connections needs to know of one. busy: a whole request of it is being answered. served: one was."""

    address: str
    busy: bool
    served: bool

    def drop(self) -> None:
        """Close it at once."""


class Open:
    """All open connections, the oldest first. counts: for whoever watches the station."""

    def __init__(self, limits: Limits) -> None:
        self.limits = limits
        self._all: dict[Closable, None] = {}
        self._of: Counter[str] = Counter()
        self.evicted = self.refused = self.late = 0

    def __len__(self) -> int:
        return len(self._all)

    def admit(self, new: Closable) -> bool:
        """Take a connection in, if need be in the place of another; False where all others are busy."""
        whole_house = len(self._all) >= self.limits.most
        full_share = self._of[new.address] >= self.limits.of_one and not _is_loopback(new.address)
        if full_share or whole_house:
            given_up = next(self._spare(new.address if full_share else None), None)
            if given_up is None:
                self.refused += 1
                return False
            self.evicted += 1
            self.gone(given_up)
            given_up.drop()
        self._all[new] = None
        self._of[new.address] += 1
        return True

    def gone(self, connection: Closable) -> None:
        """It is closed; may be said more than once."""
        if connection in self._all:
            del self._all[connection]
            self._of[connection.address] -= 1
            if self._of[connection.address] <= 0:
                del self._of[connection.address]

    def _spare(self, address: str | None) -> Iterator[Closable]:
        """Who has to go first: the oldest that never sent a whole request, then the oldest that waits for its next."""
        idle = [c for c in self._all if not c.busy and address in (None, c.address)]
        yield from (c for c in idle if not c.served)
        yield from (c for c in idle if c.served)


def _is_loopback(address: str) -> bool:
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False


class Bounded(H11Protocol):
    """uvicorn's protocol with an end to waiting. ``open_connections`` is set by ``bounded``."""

    open_connections: Open

    address = ""
    busy = served = False
    _waits: asyncio.TimerHandle | None = None
    _waits_in: object = None
    _drains: asyncio.TimerHandle | None = None
    _came = 0
    _came_by_mark = _left_by_mark = 0
    _admitted = False

    # --- coming and going ----------------------------------------------------------------------------------

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as uvicorn's does
        peer = transport.get_extra_info("peername")
        self.address = str(peer[0]) if isinstance(peer, tuple) else ""
        self._admitted = self.open_connections.admit(self)
        super().connection_made(transport)
        if not self._admitted:
            log.warning("a connection from %s was refused: all are busy", self.address)
            self.drop()
            return
        self._look()

    def connection_lost(self, exc: Exception | None) -> None:
        self.open_connections.gone(self)
        self._stop_waiting()
        self._stop_draining()
        super().connection_lost(exc)

    def drop(self) -> None:
        self._stop_waiting()
        self.transport.abort()

    # --- a request comes whole, in time --------------------------------------------------------------------

    def data_received(self, data: bytes) -> None:
        if not self._admitted:
            return
        self._came += len(data)
        super().data_received(data)
        self._look(data_came=True)

    def _look(self, data_came: bool = False) -> None:
        """After each event: does a request stand half, and is its time being kept?"""
        if self.transport.is_closing():
            return
        their = self.conn.their_state
        answered = self.cycle is not None and self.cycle.response_complete
        self.busy = their in (h11.DONE, h11.MUST_CLOSE) and not answered
        self.served = self.served or self.busy or answered
        if their is not self._waits_in:
            self._stop_waiting()
            self._waits_in = their
        if self._waits is not None:
            return  # time runs from the first byte on, not from the newest
        if their is h11.SEND_BODY:
            self._wait_for_body(answered)
        elif their is h11.IDLE and (data_came or not self.served):
            self._waits = self.loop.call_later(self.open_connections.limits.head_s, self._late)

    def _wait_for_body(self, answered: bool) -> None:
        self._came_by_mark = self._came
        limits = self.open_connections.limits
        self._waits = self.loop.call_later(limits.linger_s if answered else limits.body_s, self._body_due)

    def _body_due(self) -> None:
        self._waits = None
        answered = self.cycle is not None and self.cycle.response_complete
        enough = self._came - self._came_by_mark >= self.open_connections.limits.body_bytes
        if self.conn.their_state is not h11.SEND_BODY:
            self._look()
        elif not answered and (enough or self.flow.read_paused):
            self._wait_for_body(answered)
        else:
            self._late()

    def _late(self) -> None:
        self._waits = None
        self.open_connections.late += 1
        log.info("a request from %s did not come whole in time", self.address)
        if self.cycle is not None and not self.cycle.response_complete:
            self.cycle.disconnected = True
            self.cycle.message_event.set()
        self._refuse(408, _("Too slow"), _("The request did not come whole in time. Send it again."))

    def _stop_waiting(self) -> None:
        if self._waits is not None:
            self._waits.cancel()
            self._waits = None

    def on_response_complete(self) -> None:
        self._stop_waiting()  # a body that is still coming is now nobody's: it has only a moment left
        self.busy = False
        super().on_response_complete()
        self._look(data_came=bool(self.conn.trailing_data[0]))
        if self.transport.is_closing():
            self._drain()

    # --- what goes out -------------------------------------------------------------------------------------

    def send_400_response(self, msg: str) -> None:
        self._refuse(400, _("Not understood"), _("This is no HTTP request that the station understands."))

    def _refuse(self, status: int, title: str, text: str) -> None:
        """A last word, with the headers that all replies carry; none where a reply is under way already."""
        if self.conn.our_state in (h11.IDLE, h11.SEND_RESPONSE):
            self.transport.write(_last_word(status, title, text))
        self._stop_waiting()
        self.transport.close()
        self._drain()

    def timeout_keep_alive_handler(self) -> None:
        super().timeout_keep_alive_handler()
        self._drain()

    def pause_writing(self) -> None:
        super().pause_writing()
        self._drain()

    def resume_writing(self) -> None:
        super().resume_writing()
        self._stop_draining()

    def _drain(self) -> None:
        """What was sent has to be read, or nobody waits for it: neither a reply half sent nor a closing."""
        self._stop_draining()
        self._left_by_mark = self.transport.get_write_buffer_size()
        self._drains = self.loop.call_later(self.open_connections.limits.drain_s, self._drain_due)

    def _drain_due(self) -> None:
        self._drains = None
        read = self._left_by_mark - self.transport.get_write_buffer_size()
        if read >= self.open_connections.limits.drain_bytes:
            self._drain()
        else:
            self.drop()

    def _stop_draining(self) -> None:
        if self._drains is not None:
            self._drains.cancel()
            self._drains = None


@lru_cache
def _last_word(status: int, title: str, text: str) -> bytes:
    """A whole reply. Made once: whoever sends nothing but nonsense is answered by the thousand."""
    body = json.dumps({"status": status, "title": title, "text": text})
    head = {
        **SECURITY_HEADERS,
        "Content-Type": "application/json",
        "Content-Length": str(len(body)),
        "Cache-Control": "no-store",
        "Connection": "close",
    }
    lines = (f"HTTP/1.1 {status} {HTTPStatus(status).phrase}", *(f"{k}: {v}" for k, v in head.items()))
    return "\r\n".join((*lines, "", body)).encode("ascii")


def bounded(connections: Open) -> type[asyncio.Protocol]:
    """A protocol for the server whose connections are all in that list."""

    class InThatList(Bounded):
        open_connections = connections

    return InThatList
