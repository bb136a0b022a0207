"""Half requests, silent connections and very many of them, on real sockets of this machine, with short limits."""

import asyncio
import json
import ssl
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, replace
from typing import Protocol, TypeVar

import pytest
import uvicorn
from starlette.types import ASGIApp, Receive, Scope, Send
from uvicorn.server import ServerState

from web.frame.connections import Limits, Open, bounded
from web.frame.gate import SECURITY_HEADERS
from web.frame.handshake import greeting
from web.server import Tls

T = TypeVar("T")
SHORT = Limits(head_s=0.2, body_s=0.2, body_bytes=64, drain_s=0.3, linger_s=0.2, most=8, of_one=3)
WHOLE = b"GET / HTTP/1.1\r\nHost: x\r\n\r\n"
PATIENCE_S = 10.0


# --- the list of connections -------------------------------------------------------------------------------


@dataclass(eq=False)
class Fake:
    address: str
    busy: bool = False
    served: bool = False
    dropped: bool = False

    def drop(self) -> None:
        self.dropped = True


def filled(*connections: Fake, limits: Limits = SHORT) -> Open:
    house = Open(limits)
    admitted = [house.admit(connection) for connection in connections]
    assert all(admitted)
    return house


def test_one_address_pushes_out_its_own_connections_and_nobody_elses() -> None:
    others = [Fake("192.0.2.1"), Fake("192.0.2.2")]
    own = [Fake("192.0.2.9") for _ in range(3)]
    house = filled(*others, *own)
    assert house.admit(Fake("192.0.2.9"))
    assert [c.dropped for c in own] == [True, False, False]
    assert not any(c.dropped for c in others)
    assert (len(house), house.evicted) == (5, 1)


def test_a_full_house_gives_up_its_oldest_silent_connection_then_the_longest_idle() -> None:
    busy = [Fake(f"192.0.2.{n}", busy=True, served=True) for n in range(5)]
    idle, silent = Fake("192.0.2.20", served=True), [Fake("192.0.2.21"), Fake("192.0.2.22")]
    house = filled(*busy, idle, *silent)
    for expected in (*silent, idle):
        assert house.admit(Fake("192.0.2.30", busy=True))
        assert expected.dropped
        assert len(house) == SHORT.most
    assert not house.admit(Fake("192.0.2.31"))
    assert not any(c.dropped for c in busy)
    assert house.refused == 1


def test_a_share_that_is_all_busy_is_full_whoever_else_is_idle() -> None:
    other = Fake("192.0.2.1")
    house = filled(other, *(Fake("192.0.2.9", busy=True) for _ in range(3)))
    assert not house.admit(Fake("192.0.2.9"))
    assert not other.dropped


def test_a_reverse_proxy_brings_everybody_from_one_address() -> None:
    house = filled(*(Fake("127.0.0.1", busy=True) for _ in range(SHORT.most)))
    assert len(house) == SHORT.most


def test_whoever_has_gone_leaves_room() -> None:
    first = Fake("192.0.2.9", busy=True)
    house = filled(first, Fake("192.0.2.9", busy=True), Fake("192.0.2.9", busy=True))
    house.gone(first)
    house.gone(first)
    assert house.admit(Fake("192.0.2.9", busy=True))
    assert not house.admit(Fake("192.0.2.9", busy=True))


# --- on the wire -------------------------------------------------------------------------------------------


async def answering(scope: Scope, receive: Receive, send: Send) -> None:
    """Says how long the body was; ``/unread`` does not look; ``/long`` says very much; ``/stream`` never ends."""
    length, more = 0, scope["path"] not in ("/unread", "/long", "/stream")
    while more:
        message = await receive()
        if message["type"] == "http.disconnect":
            return
        length += len(message.get("body", b""))
        more = bool(message.get("more_body"))
    body = b"x" * 8_000_000 if scope["path"] == "/long" else str(length).encode()
    await send(
        {"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"%d" % len(body))]}
    )
    if scope["path"] == "/stream":
        await asyncio.Event().wait()
    await send({"type": "http.response.body", "body": body})


@dataclass
class Line:
    """One connection to the server under test."""

    reader: asyncio.StreamReader
    writer: asyncio.StreamWriter

    async def say(self, data: bytes) -> None:
        self.writer.write(data)
        await self.writer.drain()

    async def answer(self) -> tuple[int, dict[str, str], bytes]:
        head = (await asyncio.wait_for(self.reader.readuntil(b"\r\n\r\n"), PATIENCE_S)).decode()
        lines = head.strip().split("\r\n")
        headers = dict(line.lower().split(": ", 1) for line in lines[1:])
        body = await self.reader.readexactly(int(headers.get("content-length", "0")))
        return int(lines[0].split()[1]), headers, body

    async def is_closed(self) -> bool:
        """Wait for its end, whatever comes before."""
        try:
            await asyncio.wait_for(self.reader.read(), PATIENCE_S)
        except ConnectionError:
            return True
        except TimeoutError:
            return False
        return True


class Unhurried(asyncio.SelectorEventLoop):
    """Its time waits for it: where a busy computer lets it stand between two of its turns, no limit runs out meanwhile."""

    TURN_S = 0.01

    def __init__(self) -> None:
        super().__init__()
        self._own_s = self._wall_s = time.monotonic()
        self._turn()

    def time(self) -> float:
        wall_s = time.monotonic()
        self._own_s += min(wall_s - self._wall_s, 2 * self.TURN_S)
        self._wall_s = wall_s
        return self._own_s

    def _turn(self) -> None:
        self.call_later(self.TURN_S, self._turn)


class Dial(Protocol):
    def __call__(self, secured: bool = False) -> Awaitable[Line]:
        """A connection, with TLS or bare."""


def serving(
    test: Callable[[Dial, Open], Awaitable[T]],
    limits: Limits = SHORT,
    app: ASGIApp = answering,
    tls: Tls | None = None,
) -> T:
    """Run a test against a server with these limits, under TLS where it has a certificate."""

    async def run() -> T:
        config = uvicorn.Config(app, lifespan="off", log_config=None, timeout_keep_alive=2)
        config.load()
        connections, state = Open(limits), ServerState()
        make: Callable[..., asyncio.Protocol] = bounded(connections)
        if tls is not None:
            make = greeting(connections, tls.context(), make)
        server = await asyncio.get_running_loop().create_server(
            lambda: make(config=config, server_state=state, app_state={}), "127.0.0.1", 0
        )
        port = server.sockets[0].getsockname()[1]
        trust = None if tls is None else ssl.create_default_context(cafile=str(tls.certificate))
        lines: list[Line] = []

        async def dial(secured: bool = False) -> Line:
            opening = asyncio.open_connection(
                "127.0.0.1",
                port,
                ssl=trust if secured else None,
                server_hostname="localhost" if secured else None,
            )
            lines.append(Line(*await asyncio.wait_for(opening, PATIENCE_S)))
            return lines[-1]

        try:
            return await test(dial, connections)
        finally:
            server.close()
            for task in state.tasks:
                task.cancel()
            for line in lines:
                line.writer.transport.abort()

    with asyncio.Runner(loop_factory=Unhurried) as runner:
        return runner.run(run())


HALVES = {
    "nothing": b"",
    "half a head": b"GET / HTTP/1.1\r\nHost: x\r\nX-A: ",
    "half a body": b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 9\r\n\r\nabc",
    "a request and half a head": WHOLE + b"GET / HT",
}


@pytest.mark.parametrize("name", HALVES)
def test_half_a_request_is_closed_with_a_word(name: str) -> None:
    async def test(dial: Dial, connections: Open) -> None:
        line = await dial()
        await line.say(HALVES[name])
        if name.startswith("a request"):
            assert (await line.answer())[0] == 200
        status, headers, body = await line.answer()
        assert status == 408
        assert json.loads(body)["title"] == "Too slow"
        assert {k.lower(): v.lower() for k, v in SECURITY_HEADERS.items()}.items() <= headers.items()
        assert await line.is_closed()
        assert connections.late == 1

    serving(test)


@pytest.mark.parametrize("sent", [b"GET / HTTP/1.1\r\nHost: x\r\nX-A: ", HALVES["half a body"][:-3]])
def test_a_byte_now_and_then_does_not_keep_a_half_request_alive(sent: bytes) -> None:
    async def test(dial: Dial, connections: Open) -> bool:
        line = await dial()
        await line.say(sent.replace(b": 9", b": 900"))

        async def trickle() -> None:
            while True:
                await line.say(b"a")
                await asyncio.sleep(0.02)

        trickling = asyncio.create_task(trickle())
        closed = await line.is_closed()
        trickling.cancel()
        return closed

    assert serving(test)


def test_a_long_body_may_take_longer_as_long_as_it_comes() -> None:
    async def test(dial: Dial, connections: Open) -> tuple[int, bytes]:
        line = await dial()
        await line.say(b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 2000\r\n\r\n")
        for _ in range(20):  # 0.8 s of body at limits of 64 bytes in 0.2 s
            await line.say(b"x" * 100)
            await asyncio.sleep(0.04)
        status, _, body = await line.answer()
        return status, body

    assert serving(test) == (200, b"2000")


def test_a_body_that_goes_on_after_its_answer_is_not_listened_to_for_long() -> None:
    async def test(dial: Dial, connections: Open) -> bool:
        line = await dial()
        await line.say(b"POST /unread HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n\r\n")
        assert (await line.answer())[0] == 200

        async def flood() -> None:
            while True:
                await line.say(b"400\r\n" + b"x" * 1024 + b"\r\n")
                await asyncio.sleep(0.005)

        flooding = asyncio.create_task(flood())
        closed = await line.is_closed()
        flooding.cancel()
        return closed

    assert serving(test)


def test_what_is_no_request_is_told_so_with_all_headers() -> None:
    async def test(dial: Dial, connections: Open) -> None:
        line = await dial()
        await line.say(b"\x16\x03\x01 this is not HTTP\r\n\r\n")
        status, headers, _ = await line.answer()
        assert status == 400
        assert {k.lower(): v.lower() for k, v in SECURITY_HEADERS.items()}.items() <= headers.items()
        assert await line.is_closed()

    serving(test)


def test_a_reply_that_nobody_reads_is_given_up() -> None:
    async def test(dial: Dial, connections: Open) -> int:
        line = await dial()
        line.writer.transport.pause_reading()  # type: ignore[attr-defined]  # of a socket's transport
        await line.say(b"GET /long HTTP/1.1\r\nHost: x\r\n\r\n")
        began = asyncio.get_running_loop().time()
        while len(connections) and asyncio.get_running_loop().time() - began < PATIENCE_S:
            await asyncio.sleep(0.02)
        return len(connections)

    assert serving(test) == 0


def test_a_long_reply_that_is_read_slowly_arrives_whole() -> None:
    async def test(dial: Dial, connections: Open) -> int:
        line = await dial()
        await line.say(b"GET /long HTTP/1.1\r\nHost: x\r\n\r\n")
        came = 0
        for _ in range(20):  # longer than drain_s in all
            came += len(await line.reader.read(400_000))
            await asyncio.sleep(0.03)
        while came < 8_000_000:
            came += len(await asyncio.wait_for(line.reader.read(400_000), PATIENCE_S))
        return came

    assert serving(test) >= 8_000_000


def test_idle_and_streaming_connections_stay() -> None:
    async def test(dial: Dial, connections: Open) -> bool:
        idle, stream = await dial(), await dial()
        await stream.say(b"GET /stream HTTP/1.1\r\nHost: x\r\n\r\n")
        await idle.say(WHOLE)
        assert (await idle.answer())[0] == 200
        await asyncio.sleep(0.6)  # three times what half a request is given
        await idle.say(WHOLE)
        return (await idle.answer())[0] == 200 and len(connections) == 2

    assert serving(test)


def test_a_request_gets_through_however_many_half_ones_there_are() -> None:
    """As many as may be open stand half, again and again, and each whole request is answered at once."""
    limits = replace(SHORT, head_s=PATIENCE_S)

    async def test(dial: Dial, connections: Open) -> int:
        for _ in range(5):
            for _ in range(limits.most):
                await (await dial()).say(b"GET /")
            line = await dial()
            await line.say(WHOLE)
            assert (await line.answer())[0] == 200
        return len(connections)

    assert serving(test, limits) <= limits.most


def test_a_new_connection_is_turned_away_where_all_are_being_answered() -> None:
    async def test(dial: Dial, connections: Open) -> bool:
        streams = [await dial() for _ in range(SHORT.most)]
        for stream in streams:
            await stream.say(b"GET /stream HTTP/1.1\r\nHost: x\r\n\r\n")
            await stream.reader.readuntil(b"\r\n\r\n")
        turned_away = await (await dial()).is_closed()
        return turned_away and connections.refused == 1 and len(connections) == SHORT.most

    assert serving(test)
