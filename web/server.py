"""Serving the pages: one process, one worker, a stop that takes two seconds at most."""

import argparse
import contextlib
import gc
import ipaddress
import resource
import signal
import socket
import ssl
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import FrameType
from typing import Any

import uvicorn
from fastapi import FastAPI

from station.bay.watchdog import notify
from station.errors import InputError, StationError
from station.given.config import ServeRules
from station.people.access import Access
from station.people.entrance import entrance
from station.people.store import People, path_beside
from station.record.author import BY
from web.app import create_app
from web.frame.connections import Limits, Open, bounded
from web.frame.handshake import greeting
from web.frame.port import Engine

SHUTDOWN_S = 2
A_TURN = 128
"""Connections that are taken up in one turn of the server's loop."""
WAITING = 4096
"""Connections that may wait to be taken up. Beyond that the system lets a stop's connection wait for seconds."""
FILES = 4096
"""Files that the process may have open: the connections, and room for the record, devices and threads."""
FILES_ELSEWHERE = 256
SWITCH_S = 0.001
"""How long a thread that makes a page keeps the interpreter while the engine's or the server's waits for it; Python's own
5 ms, for each of several pages, are felt between two beats of the pump's guard."""


@dataclass(frozen=True)
class Tls:
    """certificate, key: files in PEM."""

    certificate: Path
    key: Path

    def context(self) -> ssl.SSLContext:
        """What a server needs of them. Raises InputError where they are not a certificate and its key."""

        def unlocked() -> str:
            raise InputError(
                f"{self.key}: the key is locked by a passphrase; a station starts without anybody."
            )

        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        try:
            context.load_cert_chain(self.certificate, self.key, unlocked)
        except InputError:
            raise
        except (OSError, ValueError) as error:
            raise InputError(
                f"{self.certificate} and {self.key} are no certificate and its key ({error}). tallypan certificate NAME "
                "makes both."
            ) from error
        return context


def _resolved(host: str, port: int) -> tuple[int, int, int, Any]:
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(
            host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
    except (OSError, OverflowError) as error:
        raise StationError(
            f"{host!r} is no address to listen on ({error}). Check --host and --port."
        ) from error
    return family, kind, protocol, address


def is_loopback(host: str) -> bool:
    """Whether whoever listens there is reached from this machine alone. Raises StationError for no address."""
    return ipaddress.ip_address(str(_resolved(host, 0)[3][0]).partition("%")[0]).is_loopback


def _listen(host: str, port: int) -> socket.socket:
    """A listening socket. Raises StationError saying which address could not be had."""
    family, kind, protocol, address = _resolved(host, port)
    listener = socket.socket(family, kind, protocol)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(address)
        listener.listen(WAITING)
    except OSError as error:
        listener.close()
        raise StationError(
            f"Cannot listen on {host} port {port} ({error.strerror}). Is the station running already? "
            "Try another --port."
        ) from error
    return listener


def address_of(host: str, listener: socket.socket, tls: bool = False) -> str:
    """What to type into a browser on this machine."""
    port = listener.getsockname()[1]
    name = "localhost" if host in ("0.0.0.0", "::", "") else host
    scheme = "https" if tls else "http"
    return f"{scheme}://[{name}]:{port}/" if ":" in name else f"{scheme}://{name}:{port}/"


@contextlib.contextmanager
def _signals_end_the_serving(server: uvicorn.Server) -> Iterator[None]:
    """Have SIGINT and SIGTERM end the serving only, from before it has begun.

    The server passes a signal on once it has closed its connections. Unhandled, that would end the process before
    the caller has put the pump and the record in order.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def end(signum: int, frame: FrameType | None) -> None:
        """Heard while the server does not listen for signals yet, or does so no more."""
        server.should_exit = True

    before = {number: signal.signal(number, end) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def say_ready(address: str) -> None:
    """Tell whoever started the station where to look."""
    print(f"Tallypan is ready at {address} (Ctrl-C ends it)", flush=True)


def say_first_code(access: Access) -> None:
    """Tell whoever started the station how its first owner comes in, where there is none."""
    if access.wants_first_owner:
        print(
            f"Nobody is set up yet. Open the page and set up the owner with the code {access.first_code}; it serves "
            "once, as long as this station runs.",
            flush=True,
        )


def door_of(
    rules: ServeRules, ledger: Path, host: str, options: argparse.Namespace, asked: bool = False
) -> tuple[Access, Tls | None]:
    """Who may come in, and under which certificate; the command line goes before the rules. asked: whether people sign in also where
    all is simulated.

    Raises InputError where the pages should not be served so.
    """
    certificate, key = (options.certificate or rules.certificate), (options.key or rules.key)
    if (certificate is None) != (key is None):
        raise InputError(
            "A certificate and its key belong together; name both in [serve], or --certificate and --key."
        )
    tls = None if certificate is None or key is None else Tls(Path(certificate), Path(key))
    if tls is not None:
        tls.context()
    access = entrance(
        People(path_beside(ledger), by=BY.get),
        loopback=is_loopback(host),
        simulated=options.simulated and not asked,
        tls=tls is not None,
        named=bool(rules.names) or rules.proxy,
    )
    return access, tls


def _files() -> int:
    """Have the process open as many files as it may and we want; how many that is."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = FILES if hard == resource.RLIM_INFINITY else min(FILES, hard)
    if soft != resource.RLIM_INFINITY and soft < wanted:
        resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))
        return wanted
    return FILES if soft == resource.RLIM_INFINITY else soft


def _settle(app: FastAPI) -> None:
    """Have no thread wait long for another's: the pump's guard gets its beats from this process, and a stop comes here.

    What a route needs is put together when it is first looked at, 200 ms for all of them, in the server's loop: the first
    stop would wait for it. And Python stops all threads while it looks through all that it holds for cycles: 150 ms for
    what is loaded by now, which stays as long as the station runs and need not be looked through again (both of 2 shared
    cores; a Pi takes longer).
    """
    nowhere = {"type": "http", "method": "POST", "path": "/nowhere", "root_path": "", "headers": []}
    for route in app.routes:
        route.matches(nowhere)
    sys.setswitchinterval(SWITCH_S)
    gc.collect()
    gc.freeze()


class _Server(uvicorn.Server):
    """More connections may wait than are taken up in a turn; asyncio has one number for both."""

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        for listener in sockets or ():
            listener.listen(WAITING)


def serve(
    engine: Engine,
    access: Access,
    host: str,
    port: int,
    announce: Callable[[str], object] = say_ready,
    tls: Tls | None = None,
    names: Sequence[str] = (),
    proxy: bool = False,
) -> None:
    """Serve a bay's pages as ``run`` does; closing the engine is the caller's.

    access: who may come in. names: by which the station may be called, as it may by host.
    proxy: a reverse proxy on this machine takes TLS off.
    """
    secure = tls is not None or proxy
    run(lambda open_: create_app(engine, access, [host, *names], secure, open_), host, port, announce, tls)


def run(
    make: Callable[[Open], FastAPI],
    host: str,
    port: int,
    announce: Callable[[str], object] = say_ready,
    tls: Tls | None = None,
) -> None:
    """Serve an application until SIGINT or SIGTERM, then return.

    make: the application over the connections there are. host: the address to listen on. port: 0 for any free one.
    announce: told the page's address once the port is open. Raises StationError if the address cannot be had.
    """
    listener = _listen(host, port)
    connections = Open(replace(Limits(), most=min(Limits.most, _files() - FILES_ELSEWHERE)))
    app = make(connections)
    _settle(app)
    config = uvicorn.Config(
        app,
        workers=1,
        http=bounded(connections)
        if tls is None
        else greeting(connections, tls.context(), bounded(connections)),  # type: ignore[arg-type]  # whatever makes a protocol does
        ws="none",
        backlog=A_TURN,
        lifespan="on",
        log_config=None,  # its lines go where all others go, and are spared as they are
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        timeout_graceful_shutdown=SHUTDOWN_S,
    )
    server = _Server(config)
    with contextlib.closing(listener), _signals_end_the_serving(server):
        announce(address_of(host, listener, tls is not None))
        notify("READY=1")
        server.run(sockets=[listener])
