"""What is taken in of a body: no more than may be, whatever its length was said to be."""

import asyncio
from collections.abc import AsyncIterator, Mapping, Sequence

import pytest
from starlette.requests import ClientDisconnect
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from station.learning.condition import MAX_BYTES
from station.people.access import Access
from tests.web.conftest import CHANGE, HOST, Bay
from tests.web.fake_engine import FakeEngine
from tests.web.frame.test_gate import BODIES, PHOTO_PATH
from web.app import create_app
from web.frame.gate import LARGEST_BODY, PHOTO, Gate


def test_a_long_body_and_a_body_of_no_stated_length_are_refused_unread(bay: Bay) -> None:
    text = b'{"reason": "' + b"x" * LARGEST_BODY + b'"}'
    assert bay.send("POST", "/api/abandon", content=text, headers=CHANGE).status_code == 413

    async def pieces() -> AsyncIterator[bytes]:
        yield b'{"reason": "x"}'

    assert bay.send("POST", "/api/abandon", content=pieces(), headers=CHANGE).status_code == 411
    assert bay.engine.calls == []


CHANGE_BYTES = {"content-type": "application/json", "x-tallypan": "1", "host": HOST}


def on_the_wire(
    app: ASGIApp, path: str, pieces: Sequence[bytes], headers: Mapping[str, str] = {}, method: str = "POST"
) -> tuple[int, int]:
    """Call the application as a server would that lets any headers pass; the status, and how many pieces were taken."""
    left, status = list(pieces), 0

    async def receive() -> Message:
        piece = left.pop(0) if left else b""
        return {"type": "http.request", "body": piece, "more_body": bool(left)}

    async def send(message: Message) -> None:
        nonlocal status
        status = int(message.get("status", status))

    given = [(k.encode(), v.encode()) for k, v in {**CHANGE_BYTES, **headers}.items()]
    scope = {
        "type": "http", "http_version": "1.1", "method": method, "path": path, "raw_path": path.encode(),
        "root_path": "", "query_string": b"", "scheme": "http", "server": ("127.0.0.1", 8765),
        "client": ("127.0.0.1", 50000), "headers": given, "state": {},
    }  # fmt: skip

    async def call() -> None:
        await app(scope, receive, send)

    asyncio.run(call())
    return status, len(pieces) - len(left)


def test_a_body_in_chunks_is_refused_unread_whatever_length_is_stated_beside() -> None:
    """``Content-Length: 2`` with ``Transfer-Encoding: chunked`` let 300 MB in once."""
    engine = FakeEngine()
    app = create_app(engine, Access(None))
    headers = {"content-length": "2", "transfer-encoding": "chunked"}
    for path in BODIES:
        assert on_the_wire(app, path, [b"{}"] * 9, headers) == (411, 0), path
        assert engine.calls == [], path


@pytest.mark.parametrize(("path", "kind"), [("/api/note", "application/json"), (PHOTO_PATH, "image/jpeg")])
def test_no_more_is_taken_in_than_may_be_whatever_length_was_stated(path: str, kind: str) -> None:
    engine = FakeEngine()
    most = Gate.largest_body(path)
    pieces = [b"x" * (most // 4)] * 9
    status, taken = on_the_wire(
        create_app(engine, Access(None)), path, pieces, {"content-length": "2", "content-type": kind}
    )
    assert (status, taken) == (413, 5)
    assert engine.calls == []


@pytest.mark.parametrize("path", ["/", "/live", "/view.json", "/static/base.css"])
@pytest.mark.parametrize("headers", [{"content-length": "2"}, {"transfer-encoding": "chunked"}])
def test_a_page_takes_no_body(path: str, headers: Mapping[str, str]) -> None:
    assert on_the_wire(create_app(FakeEngine(), Access(None)), path, [b"x"] * 3, headers, "GET") == (413, 0)


def test_whoever_leaves_in_mid_request_is_no_fault_of_the_station(caplog: pytest.LogCaptureFixture) -> None:
    async def leaving(scope: Scope, receive: Receive, send: Send) -> None:
        raise ClientDisconnect

    with caplog.at_level("WARNING"):
        assert on_the_wire(Gate(leaving), "/api/stop", [b""], {"content-length": "900"})[0] == 0
    assert caplog.text == ""


def test_long_bodies_are_taken_in_four_at_a_time_and_a_stop_goes_by() -> None:
    began: list[str] = []
    go_on = asyncio.Event()

    async def slow(scope: Scope, receive: Receive, send: Send) -> None:
        began.append(scope["path"])
        if PHOTO.fullmatch(scope["path"]):
            await go_on.wait()

    async def call(gate: Gate, path: str, length: int, kind: str) -> int:
        status = 0

        async def receive() -> Message:
            return {"type": "http.request", "body": b"", "more_body": False}

        async def send(message: Message) -> None:
            nonlocal status
            status = int(message.get("status", status))

        headers = {**CHANGE_BYTES, "content-length": str(length), "content-type": kind}
        given = [(k.encode(), v.encode()) for k, v in headers.items()]
        await gate({"type": "http", "method": "POST", "path": path, "headers": given}, receive, send)
        return status

    async def several() -> None:
        gate = Gate(slow)
        photos = [asyncio.create_task(call(gate, PHOTO_PATH, MAX_BYTES, "image/png")) for _ in range(4)]
        await asyncio.sleep(0)
        assert await call(gate, PHOTO_PATH, MAX_BYTES, "image/png") == 503
        assert await call(gate, "/api/stop", 2, "application/json") == 0
        assert began == [PHOTO_PATH] * 4 + ["/api/stop"]
        go_on.set()
        await asyncio.gather(*photos)
        await call(gate, PHOTO_PATH, MAX_BYTES, "image/png")
        assert len(began) == 6

    asyncio.run(several())
