"""Goal W1 in short: whatever comes, nothing stumbles, the pump stays as it is, and what was not accepted changes nothing.

The whole station but its devices, called in this process; then bytes that are hardly HTTP, on a real socket.
"""

import asyncio
import json
import random
import string
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from hardware.sample import Sample
from station.bay.engine import Engine
from station.people.access import Access
from station.record.ledger import Ledger
from tests.station.bay.fake_rig import FakeRig, engine_on
from tests.web.conftest import CHANGE, HOST
from tests.web.frame.test_connections import Dial, answering, serving
from tests.web.frame.test_gate import BODIES, PHOTO_PATH, READS, STREAM
from web.app import create_app
from web.frame.connections import Open
from web.frame.gate import PHOTO_KINDS

REQUESTS = 1200
SLOW_S = 2.0
"""Of this process's own computing: a busy computer lets it wait for longer than that."""
PATIENCE_S = 60.0
ODD: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 1e308, -1e308, 10**400, 0.1, "", " ", "0", "-0", "1e999", "nan", "NaN L", "∞ L", "-3 L",
    "1/0 L", "2.9 L", "2.9 L L", "L", "9" * 400, "\x00", "\x1b[2J", "\r\nX: y", "\u202e", "😀" * 60, "\ud800", "x" * 70_000,
    "<script>", "../../etc/passwd", "%00", "' or 1=1 --", "{{7*7}}", [], {}, [[]] * 50, {"": {}}, ["Bus 12"], {"a": [None]},
)  # fmt: skip


def mutated(rng: random.Random, value: Any) -> Any:
    """A value with one thing in it made odd."""
    if isinstance(value, dict) and value and rng.random() < 0.9:
        key = rng.choice(list(value))
        kind = rng.random()
        if kind < 0.1:
            return {k: v for k, v in value.items() if k != key}
        if kind < 0.2:
            return {**value, rng.choice(["", "x", "__proto__", key * 50, "\ud800"]): rng.choice(ODD)}
        return {**value, key: mutated(rng, value[key])}
    if isinstance(value, str) and value and rng.random() < 0.3:
        at = rng.randrange(len(value))
        return value[:at] + rng.choice([*string.printable, "é", "\x00", "²"]) + value[at + rng.randrange(2) :]
    return rng.choice(ODD)


def nested(depth: int) -> bytes:
    return b'{"a":' * depth + b"1" + b"}" * depth


def body_of(rng: random.Random, template: Any) -> bytes:
    kind = rng.random()
    if kind < 0.06:
        return rng.randbytes(rng.randrange(200))
    if kind < 0.1:
        return nested(rng.choice([10, 500, 9000]))
    whole = template
    for _ in range(rng.randrange(4)):
        whole = mutated(rng, whole)
    text = json.dumps(whole).encode()
    return text[: rng.randrange(len(text))] if kind < 0.15 else text


def path_of(rng: random.Random) -> str:
    path = rng.choice([path for path in (*READS, "/static/base.css") if path != STREAM])
    pieces = path.partition("?")[0].split("/")
    if rng.random() < 0.6:
        at = rng.randrange(len(pieces))
        odd = rng.choice(
            ["", "..", "%2e%2e", "%00", "%ff", "a" * 2000, "🛢", "x.json", "%0d%0a", "-1", "jobs"]
        )
        pieces[at] = odd
    query = {
        rng.choice(["before", "vehicle", "limit", "from", "to", "of", "name", "table", "step", "x"]): str(
            rng.choice(ODD)
        )
        for _ in range(rng.randrange(3))
    }
    query = {name: text.encode("utf-8", "replace").decode()[:300] for name, text in query.items()}
    return "/" + "/".join(pieces).lstrip("/") + ("?" + str(httpx.QueryParams(query)) if query else "")


def well_on(folder: Path) -> tuple[Engine, FakeRig]:
    """An engine whose guard has said that it is well, so that ``/health`` has nothing to answer 503 for."""
    engine, rig = engine_on(folder)
    rig.put(Sample(time.monotonic(), "pump_state", "ok"))
    while not engine.health().ok:
        time.sleep(0.005)
    return engine, rig


@pytest.fixture
def station(tmp_path: Path) -> Iterator[tuple[Engine, FakeRig]]:
    engine, rig = well_on(tmp_path)
    yield engine, rig
    engine.close()


def fuzz(engine: Engine, rng: random.Random, n: int) -> tuple[list[str], list[float]]:
    """Ask n things; what stumbled or was slow, and how long each took, in seconds. Nobody holds the pump's control."""
    templates = {**BODIES, "/api/hold": {"held": False, "grip": "g1"}}
    bad: list[str] = []
    took_s: list[float] = []

    async def all_of_them() -> None:
        app = create_app(engine, Access(None))
        async with (
            app.router.lifespan_context(app),
            httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url=f"http://{HOST}") as client,
        ):
            loop = asyncio.get_running_loop()
            for _ in range(n):
                kind, began_s, began_cpu_s = rng.random(), loop.time(), time.process_time()
                if kind < 0.45:
                    path, body = path_of(rng), b""
                    headers = {"Accept": rng.choice(["text/html", "application/json", "*/*", "\x00"])}
                    reply = await client.get(path, headers=headers)
                elif kind < 0.5:
                    path, body = (
                        f"{PHOTO_PATH}?by={'x' * rng.randrange(90)}",
                        rng.randbytes(rng.randrange(300)),
                    )
                    headers = {**CHANGE, "Content-Type": rng.choice(PHOTO_KINDS)}
                    reply = await client.post(path, content=body, headers=headers)
                else:
                    path = rng.choice(list(templates))
                    body = body_of(rng, templates[path])
                    reply = await client.post(path, content=body, headers=CHANGE)
                took_s.append(loop.time() - began_s)
                slow = time.process_time() - began_cpu_s > SLOW_S or took_s[-1] > PATIENCE_S
                if reply.status_code >= 500 or slow:
                    bad.append(
                        f"{reply.status_code} in {took_s[-1]:.1f} s: {path!r} {body[:200]!r}: {reply.text[:200]}"
                    )

    asyncio.run(all_of_them())
    return bad, took_s


@pytest.mark.parametrize("seed", [1, 2])
def test_whatever_is_asked_nothing_stumbles_and_the_pump_stays_off(
    station: tuple[Engine, FakeRig], seed: int
) -> None:
    engine, rig = station
    bad, _ = fuzz(engine, random.Random(f"fuzz {seed}"), REQUESTS // 2)
    assert bad == []
    assert True not in rig.beats
    assert engine.health().checks["ledger"].ok
    ledger = Ledger(engine.config.ledger, read_only=True)
    assert ledger.verify() is None
    ledger.close()


START = b"POST /x HTTP/1.1\r\nHost: x\r\nContent-Length: 3\r\n\r\nabc"


def hardly_http(rng: random.Random) -> bytes:
    kind = rng.randrange(5)
    if kind == 0:
        return rng.randbytes(rng.randrange(1, 400)) + b"\r\n\r\n"
    data = bytearray(START)
    if kind == 1:
        for _ in range(rng.randrange(1, 6)):
            data[rng.randrange(len(data))] = rng.randrange(256)
    elif kind == 2:
        at = rng.randrange(len(data))
        data[at:at] = rng.choice([b"\r\n", b"\x00", b"\n", b" ", b"Content-Length: 9\r\n", b"a" * 20_000])
    elif kind == 3:
        line = rng.choice(
            [
                b"Transfer-Encoding: chunked\r\n",
                b"Transfer-Encoding: gzip\r\n",
                b"Content-Length: -1\r\n",
                b"Host: y\r\n",
            ]
        )
        data = bytearray(START.replace(b"Host: x\r\n", b"Host: x\r\n" + line))
    else:
        data = data[: rng.randrange(1, len(data))]
    return bytes(data)


def test_bytes_that_are_hardly_a_request_get_an_answer_below_500_or_none(
    caplog: pytest.LogCaptureFixture,
) -> None:
    rng = random.Random("bytes")

    async def test(dial: Dial, connections: Open) -> list[int]:
        async def one(data: bytes) -> int:
            line = await dial()
            try:
                await line.say(data)
                line.writer.write_eof()
                return (await line.answer())[0]
            except (OSError, asyncio.IncompleteReadError, asyncio.LimitOverrunError):
                return 0
            finally:
                line.writer.transport.abort()

        return [
            status
            for _ in range(40)
            for status in await asyncio.gather(*(one(hardly_http(rng)) for _ in range(8)))
        ]

    found = serving(test)
    assert len(found) == 320
    assert {200, 400} <= set(found)
    assert all(status < 500 for status in found)
    assert "Traceback" not in caplog.text


def test_the_server_under_test_answers_at_all() -> None:
    """Else the above would pass over a server that is not there."""

    async def test(dial: Dial, connections: Open) -> int:
        line = await dial()
        await line.say(START)
        return (await line.answer())[0]

    assert serving(test, app=answering) == 200
