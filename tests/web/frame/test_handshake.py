"""Handshakes that are never finished, on real sockets of this machine: counted, pushed out, closed after a time."""

import asyncio
import socket
import ssl
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

import pytest

from station.people.certificate import make
from tests.web.frame.test_connections import PATIENCE_S, SHORT, WHOLE, Dial, serving
from web.frame.connections import Closable, Open, bounded
from web.frame.handshake import greeting
from web.server import Tls

T = TypeVar("T")
QUICK = replace(SHORT, handshake_s=0.2)


@pytest.fixture(scope="module")
def tls(tmp_path_factory: pytest.TempPathFactory) -> Tls:
    made = make("localhost", ["127.0.0.1"], tmp_path_factory.mktemp("tls"))
    return Tls(Path(made.certificate), Path(made.key))


async def becomes(n: int, connections: Open) -> None:
    async with asyncio.timeout(PATIENCE_S):
        while len(connections) != n:
            await asyncio.sleep(0.01)


def test_a_request_is_answered_under_tls_in_one_place_of_the_list(tls: Tls) -> None:
    async def test(dial: Dial, connections: Open) -> tuple[int, int]:
        line = await dial(True)
        await line.say(WHOLE)
        return (await line.answer())[0], len(connections)

    assert serving(test, SHORT, tls=tls) == (200, 1)


def test_a_request_that_comes_with_the_last_bytes_of_the_handshake_is_answered(tls: Tls) -> None:
    """As a client sends it that waits for nothing: over many connections one of them meets the server in between."""

    def one(port: int, trust: ssl.SSLContext) -> bytes:
        with socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S) as bare:
            incoming, outgoing = ssl.MemoryBIO(), ssl.MemoryBIO()
            client = trust.wrap_bio(incoming, outgoing, server_hostname="localhost")
            while True:
                try:
                    client.do_handshake()
                    break
                except ssl.SSLWantReadError:
                    bare.sendall(outgoing.read())
                    incoming.write(bare.recv(1 << 16))
            client.write(WHOLE)
            bare.sendall(outgoing.read())  # the end of the handshake and the request, in one piece
            while True:
                try:
                    return client.read(12)
                except ssl.SSLWantReadError:
                    incoming.write(bare.recv(1 << 16))

    async def test(dial: Dial, connections: Open) -> list[bytes]:
        line = await dial(True)
        port = line.writer.get_extra_info("peername")[1]
        trust = ssl.create_default_context(cafile=str(tls.certificate))
        return [await asyncio.to_thread(one, port, trust) for _ in range(3)]

    assert serving(test, SHORT, tls=tls) == [b"HTTP/1.1 200"] * 3


@pytest.mark.parametrize("said", [b"", b"\x16\x03\x01"], ids=["nothing", "half a hello"])
def test_a_handshake_that_is_not_finished_is_counted_and_closed(tls: Tls, said: bytes) -> None:
    async def test(dial: Dial, connections: Open) -> int:
        line = await dial(False)
        line.writer.write(said)
        await becomes(1, connections)
        assert await line.is_closed()
        await becomes(0, connections)
        return connections.late

    assert serving(test, QUICK, tls=tls) == 1


def test_what_is_no_tls_is_closed_at_once(tls: Tls) -> None:
    async def test(dial: Dial, connections: Open) -> bool:
        line = await dial(False)
        await line.say(WHOLE)
        return await line.is_closed()

    assert serving(test, replace(SHORT, handshake_s=600.0), tls=tls)


def test_a_request_gets_through_however_many_handshakes_stand_half(tls: Tls) -> None:
    """As many as may be open, again and again; each whole request is answered, in the place of the oldest of them."""
    limits = replace(SHORT, handshake_s=600.0, head_s=600.0)

    async def test(dial: Dial, connections: Open) -> int:
        for _ in range(3):
            for _ in range(limits.most):
                await dial(False)
            line = await dial(True)
            await line.say(WHOLE)
            assert (await line.answer())[0] == 200
        return connections.evicted

    assert serving(test, limits, tls=tls) >= 2 * SHORT.most


def test_one_address_has_no_more_handshakes_than_its_share(tls: Tls) -> None:
    class Elsewhere(Open):
        """As if this machine were another."""

        def admit(self, new: Closable) -> bool:
            new.address = "192.0.2.9"
            return super().admit(new)

    connections = Elsewhere(replace(SHORT, handshake_s=600.0))

    async def test() -> int:
        protocol = greeting(connections, tls.context(), bounded(connections))
        server = await asyncio.get_running_loop().create_server(lambda: protocol(), "127.0.0.1", 0)
        port = server.sockets[0].getsockname()[1]
        writers = [(await asyncio.open_connection("127.0.0.1", port))[1] for _ in range(SHORT.of_one + 2)]
        async with asyncio.timeout(PATIENCE_S):
            while connections.evicted < 2:
                await asyncio.sleep(0.01)
        server.close()
        for writer in writers:
            writer.transport.abort()
        return len(connections)

    assert asyncio.run(test()) == SHORT.of_one
