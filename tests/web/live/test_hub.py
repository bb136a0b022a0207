"""The newest view and nothing older, for any number of pages."""

import asyncio
import json
import threading
from collections.abc import AsyncIterator

import pytest

from station.bay.views import BayView
from tests.web.fake_engine import FakeEngine
from tests.web.fake_views import view_of
from web.live.hub import Hub
from web.live.live import Live, live


async def _next(follower: AsyncIterator[Live]) -> Live:
    return await asyncio.wait_for(anext(follower), 60.0)


async def _settle() -> None:
    for _ in range(3):
        await asyncio.sleep(0)


def _fill(to_go_l: float) -> BayView:
    return view_of("fill", to_go_l=to_go_l)


def test_a_new_follower_gets_the_newest_view_at_once() -> None:
    async def body() -> None:
        engine = FakeEngine(_fill(0.5))
        hub = Hub(engine)
        hub.start()
        assert (await _next(hub.follow())).text["to_go"] == "0.50 L"
        engine.publish(_fill(0.4))
        await _settle()
        assert (await _next(hub.follow())).text["to_go"] == "0.40 L"
        hub.close()

    asyncio.run(body())


def test_a_slow_follower_skips_to_the_newest() -> None:
    async def body() -> None:
        engine = FakeEngine(_fill(0.9))
        hub = Hub(engine)
        hub.start()
        slow, quick = hub.follow(), hub.follow()
        await _next(slow)
        await _next(quick)
        seen = []
        for step in range(8, 0, -1):
            engine.publish(_fill(step / 10))
            await _settle()
            seen.append((await _next(quick)).text["to_go.number"])
        assert seen == ["0.80", "0.70", "0.60", "0.50", "0.40", "0.30", "0.20", "0.10"]
        assert (await _next(slow)).text["to_go.number"] == "0.10"
        waiting = asyncio.ensure_future(anext(slow))
        await asyncio.sleep(0.02)
        assert not waiting.done()
        hub.close()
        with pytest.raises(StopAsyncIteration):
            await waiting

    asyncio.run(body())


def test_followers_wake_for_a_view_from_the_engines_thread() -> None:
    async def body() -> None:
        engine = FakeEngine(_fill(0.9))
        hub = Hub(engine)
        hub.start()
        followers = [hub.follow() for _ in range(20)]
        for follower in followers:
            await _next(follower)
        waiting = [asyncio.ensure_future(_next(follower)) for follower in followers]
        await _settle()
        thread = threading.Thread(target=engine.publish, args=(_fill(0.3),))
        thread.start()
        seen = await asyncio.gather(*waiting)
        thread.join()
        assert {live.text["to_go"] for live in seen} == {"0.30 L"}
        hub.close()

    asyncio.run(body())


def test_a_view_is_made_into_text_once_for_all_pages(monkeypatch: pytest.MonkeyPatch) -> None:
    made = []
    real = live

    def counting(view: BayView) -> Live:
        made.append(view.seq)
        return real(view)

    monkeypatch.setattr("web.live.hub.live", counting)

    async def body() -> None:
        engine = FakeEngine(_fill(0.9))
        hub = Hub(engine)
        hub.start()
        engine.publish(_fill(0.8))
        await _settle()
        streams = [hub.events() for _ in range(20)]
        for stream in streams:
            speaks = await anext(stream)
            assert (speaks.event, json.loads(str(speaks.data))) == ("station", [engine.software, "en"])
        events = [await asyncio.wait_for(anext(stream), 60.0) for stream in streams]
        assert len(made) == 1
        assert len({id(event.data) for event in events}) == 1
        content = json.loads(str(events[0].data))
        assert content["text"]["to_go"] == "0.80 L"
        assert events[0].id == str(content["seq"])
        hub.close()

    asyncio.run(body())


def test_closing_ends_every_follower_and_the_subscription() -> None:
    async def body() -> None:
        engine = FakeEngine(_fill(0.9))
        hub = Hub(engine)
        hub.start()
        assert engine.subscribers == 1
        followers = [hub.follow() for _ in range(3)]
        for follower in followers:
            await _next(follower)
        waiting = [asyncio.ensure_future(anext(follower)) for follower in followers]
        await _settle()
        hub.close()
        ends = await asyncio.gather(*waiting, return_exceptions=True)
        assert all(isinstance(end, StopAsyncIteration) for end in ends)
        assert engine.subscribers == 0

    asyncio.run(body())


def test_a_view_after_the_loop_has_gone_is_nobodys_concern() -> None:
    engine = FakeEngine(_fill(0.9))

    async def body() -> Hub:
        hub = Hub(engine)
        hub.start()
        return hub

    hub = asyncio.run(body())
    engine.publish(_fill(0.1))
    hub.close()
