"""TLS under the same limits as requests: whoever opens a connection and never finishes the handshake has a place in the
list of connections, may lose it to somebody else, and is closed after a time.

A server that is given its certificate by asyncio does not know of a connection before the handshake is done, so here the
connection comes first, and the handshake is a part of it.
"""

import asyncio
import logging
import ssl
from collections.abc import Callable
from typing import cast

from web.frame.connections import Open

log = logging.getLogger(__name__)


class _Early(asyncio.Protocol):
    """Keeps what comes with the handshake's last bytes, until whoever it is for is there."""

    def __init__(self) -> None:
        self.data, self.lost = bytearray(), False

    def data_received(self, data: bytes) -> None:
        self.data += data

    def connection_lost(self, exc: Exception | None) -> None:
        self.lost = True


class Greeting(asyncio.Protocol):
    """A connection until its handshake is done; what comes then is the inner protocol's. Never busy: what is greeted goes
    first where there is no room."""

    busy = served = False

    def __init__(
        self, connections: Open, context: ssl.SSLContext, inner: Callable[[], asyncio.Protocol]
    ) -> None:
        self._connections, self._context, self._inner = connections, context, inner
        self._transport: asyncio.Transport | None = None
        self._task: asyncio.Task[None] | None = None
        self.address = ""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.Transport, transport)
        peer = transport.get_extra_info("peername")
        self.address = str(peer[0]) if isinstance(peer, tuple) else ""
        if not self._connections.admit(self):
            log.warning("a connection from %s was refused: all are busy", self.address)
            self.drop()
            return
        self._task = asyncio.get_running_loop().create_task(self._greet(self._transport))

    def connection_lost(self, exc: Exception | None) -> None:
        self._connections.gone(self)

    def drop(self) -> None:
        if self._transport is not None:
            self._transport.abort()

    async def _greet(self, transport: asyncio.Transport) -> None:
        loop, limits, early = asyncio.get_running_loop(), self._connections.limits, _Early()
        try:
            secured = await loop.start_tls(
                transport,
                early,
                self._context,
                server_side=True,
                ssl_handshake_timeout=limits.handshake_s,
                ssl_shutdown_timeout=limits.linger_s,
            )
        except (OSError, ssl.CertificateError) as error:  # too late, no TLS, gone: nobody of ours
            if isinstance(error, ConnectionAbortedError):
                self._connections.late += 1
            log.info("no TLS with %s: %s", self.address, error)
            transport.abort()
            secured = None
        finally:
            self._connections.gone(self)
        if secured is None or secured.is_closing() or early.lost:
            return
        protocol = self._inner()
        secured.set_protocol(protocol)
        protocol.connection_made(secured)
        if early.data:
            protocol.data_received(bytes(early.data))


def greeting(
    connections: Open, context: ssl.SSLContext, inner: Callable[..., asyncio.Protocol]
) -> Callable[..., asyncio.Protocol]:
    """What makes a protocol for each connection of a server, as uvicorn calls it."""
    return lambda **options: Greeting(connections, context, lambda: inner(**options))
