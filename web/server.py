"""Serving the pages: one process, one worker, a stop that takes two seconds at most."""

import contextlib
import signal
import socket
import threading
from collections.abc import Callable, Iterator
from types import FrameType

import uvicorn

from station.bay.watchdog import notify
from station.errors import StationError
from web.app import create_app
from web.frame.connections import Limits, Open, bounded
from web.frame.port import Engine

SHUTDOWN_S = 2
BACKLOG = 128
"""Connections that may wait to be taken up, and that are taken up in one turn."""


def _listen(host: str, port: int) -> socket.socket:
    """A listening socket. Raises StationError saying which address could not be had."""
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(
            host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        listener = socket.socket(family, kind, protocol)
    except (OSError, OverflowError) as error:
        raise StationError(
            f"{host!r} is no address to listen on ({error}). Check --host and --port."
        ) from error
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(address)
        listener.listen(BACKLOG)
    except OSError as error:
        listener.close()
        raise StationError(
            f"Cannot listen on {host} port {port} ({error.strerror}). Is the station running already? "
            "Try another --port."
        ) from error
    return listener


def address_of(host: str, listener: socket.socket) -> str:
    """What to type into a browser on this machine."""
    port = listener.getsockname()[1]
    name = "localhost" if host in ("0.0.0.0", "::", "") else host
    return f"http://[{name}]:{port}/" if ":" in name else f"http://{name}:{port}/"


@contextlib.contextmanager
def _signals_end_the_serving() -> Iterator[None]:
    """Have SIGINT and SIGTERM end the serving only.

    The server passes a signal on once it has closed its connections. Unhandled, that would end the process before
    the caller has put the pump and the record in order.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def ignore(signum: int, frame: FrameType | None) -> None:
        """The server has stopped; nothing is left to do here."""

    before = {number: signal.signal(number, ignore) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def say_ready(address: str) -> None:
    """Tell whoever started the station where to look."""
    print(f"Tallypan is ready at {address} (Ctrl-C ends it)", flush=True)


def serve(engine: Engine, host: str, port: int, announce: Callable[[str], object] = say_ready) -> None:
    """Serve the pages until SIGINT or SIGTERM, then return; closing the engine is the caller's.

    host: the address to listen on, also allowed as a name to be called by. port: 0 for any free one. announce: told
    the page's address once the port is open. Raises StationError if the address cannot be had.
    """
    listener = _listen(host, port)
    config = uvicorn.Config(
        create_app(engine, hosts=[host]),
        workers=1,
        http=bounded(Open(Limits())),
        ws="none",
        backlog=BACKLOG,
        lifespan="on",
        log_config=None,  # its lines go where all others go, and are spared as they are
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        timeout_graceful_shutdown=SHUTDOWN_S,
    )
    with contextlib.closing(listener), _signals_end_the_serving():
        announce(address_of(host, listener))
        notify("READY=1")
        uvicorn.Server(config).run(sockets=[listener])
