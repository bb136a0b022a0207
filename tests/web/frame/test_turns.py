"""Readers and changes wait for each other, a stop for nobody: of an application whose replies are begun by the test."""

import asyncio
from collections.abc import Awaitable, Callable, Iterator
from typing import Any

import pytest
from starlette.types import Message, Receive, Scope, Send

from web.frame.turns import Turns

START = {"type": "http.response.start", "status": 200, "headers": []}
WHOLE = {"type": "http.request", "body": b"{}", "more_body": False}
GONE = {"type": "http.disconnect"}


class Slow:
    """An application that is asked and does not answer before it is let. inside: the paths that are being answered."""

    def __init__(self) -> None:
        self.inside: list[str] = []
        self.bodies: list[bytes] = []
        self.may_begin, self.may_end = asyncio.Event(), asyncio.Event()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        self.inside.append(scope["path"])
        self.bodies.append((await receive()).get("body", b""))
        await self.may_begin.wait()
        await send(START)
        await self.may_end.wait()
        self.inside.remove(scope["path"])


class Askers:
    def __init__(self, turns: Turns) -> None:
        self._turns, self.tasks = turns, list[asyncio.Task[None]]()

    def ask(self, method: str, path: str, *messages: Message) -> None:
        said: Iterator[Message] = iter(messages or (WHOLE,))

        async def receive() -> Message:
            for message in said:
                return message
            await asyncio.Event().wait()  # nothing more comes
            raise AssertionError

        async def send(message: Message) -> None:
            return

        scope: dict[str, Any] = {"type": "http", "method": method, "path": path}
        self.tasks.append(asyncio.ensure_future(self._turns(scope, receive, send)))


def played(test: Callable[[Slow, Askers], Awaitable[None]]) -> None:
    async def play() -> None:
        slow = Slow()
        askers = Askers(Turns(slow, reads=2, changes=3))
        await test(slow, askers)
        for task in askers.tasks:
            task.cancel()

    asyncio.run(play())


async def soon() -> None:
    """Whatever can happen has."""
    for _ in range(50):
        await asyncio.sleep(0)


def test_few_are_answered_at_a_time_and_a_stop_or_a_hold_goes_before_all() -> None:
    async def test(slow: Slow, askers: Askers) -> None:
        for _ in range(20):
            askers.ask("GET", "/wall")
            askers.ask("POST", "/api/note")
        await soon()
        assert slow.inside.count("/wall") == 2
        assert slow.inside.count("/api/note") == 3
        for path in ("/api/stop", "/api/hold"):
            askers.ask("POST", path)
        await soon()
        assert {"/api/stop", "/api/hold"} <= {*slow.inside}

    played(test)


def test_all_get_their_turn_and_whoever_reads_slowly_keeps_nobody_waiting() -> None:
    async def test(slow: Slow, askers: Askers) -> None:
        for _ in range(20):
            askers.ask("GET", "/live")
        slow.may_begin.set()
        await soon()
        assert slow.inside.count("/live") == 20  # all have begun, and none has ended
        slow.may_end.set()
        await soon()
        assert all(task.done() for task in askers.tasks)

    played(test)


def test_a_body_that_is_still_on_its_way_keeps_no_change_waiting() -> None:
    async def test(slow: Slow, askers: Askers) -> None:
        for _ in range(20):
            askers.ask("POST", "/api/note", {**WHOLE, "more_body": True})
        askers.ask("POST", "/api/mark")
        await soon()
        assert slow.inside == ["/api/mark"]
        assert slow.bodies == [b"{}"]

    played(test)


def test_nothing_is_made_for_whoever_has_gone_while_waiting() -> None:
    async def test(slow: Slow, askers: Askers) -> None:
        for _ in range(5):
            askers.ask("GET", "/wall", GONE)
        askers.ask("GET", "/jobs")
        await soon()
        assert slow.inside == ["/jobs"]

    played(test)


@pytest.mark.parametrize("path", ["/api/jobs/x/photo", "/api/catalogue/import"])
def test_photos_and_files_are_let_in_by_the_gate_alone(path: str) -> None:
    async def test(slow: Slow, askers: Askers) -> None:
        for _ in range(4):
            askers.ask("POST", path, {**WHOLE, "more_body": True})
        await soon()
        assert slow.inside == [path] * 4

    played(test)
