"""The wall: each bay's stream becomes a tile, is followed again where it broke off, and goes with the bay."""

import asyncio
import json
from dataclasses import replace
from pathlib import Path

import httpx
import pytest

from station.record.many import leaving
from station.record.many.store import Store
from tests.rolled import COMPANY, ZONE
from tests.web.shop.many.conftest import Roll
from web.shop.many.wall import BayNow, Wall, read

VIEW = {
    "stage": "fill",
    "text": {"job": "Bus 7 · rear axle", "to_go": "1.20 L", "verdict.word": "–"},
    "flag": {"job": True, "verdict": False},
}


def test_a_bays_view_becomes_its_tile() -> None:
    tile = read(BayNow("harbour", "bay-1", "http://x"), VIEW)
    assert (tile.live, tile.label, tile.figure, tile.verdict) == (True, "To go", "1.20 L", "")
    assert read(tile, {}).figure == ""
    drained = {"stage": "drain", "text": {"drained": "2.843 ± 0.008 L"}, "flag": {"job": True}}
    tile = read(tile, drained)
    assert (tile.figure, tile.doubt) == ("2.843", "± 0.008 L")


def test_a_bay_whose_record_never_came_is_not_idle_and_no_more(store: Store) -> None:
    """Its stream is heard and says that no job is there; of its record nothing is."""
    store.enter_bay(COMPANY, "harbour", "bay-1", ZONE, "http://127.0.0.1:9")

    class Bay(httpx.AsyncBaseTransport):
        async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
            return httpx.Response(200, text='event: view\ndata: {"stage": "idle"}\n\n')

    async def watch() -> BayNow:
        on = Wall(store, Bay())
        await on.start()
        try:
            while True:
                found = on.now({"harbour"})
                if found and found[0].live:
                    return found[0]
                await asyncio.sleep(0.01)
        finally:
            await on.close()

    tile = asyncio.run(asyncio.wait_for(watch(), 30.0))
    assert (tile.stage, "nothing of its record" in tile.said) == ("idle", True)
    wall = Wall(store)
    wall._bays["harbour", "bay-1"] = replace(tile, said="", since="its record last came then", live=True)
    [silent] = wall.now({"harbour"})  # no stream was ever heard here
    assert (silent.live, silent.stage, silent.said) == (False, "", "its record last came then")


def test_a_bay_that_left_goes_from_the_wall(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    from web.shop.many import wall

    monkeypatch.setattr(wall, "LOOK_S", 0.01)
    for name in ("bay-1", "bay-2"):
        store.enter_bay(COMPANY, "harbour", name, ZONE, "http://127.0.0.1:9")

    async def watch() -> list[BayNow]:
        on = Wall(store, httpx.MockTransport(lambda _request: httpx.Response(503)))
        await on.start()
        try:
            while len(on.now({"harbour"})) < 2:
                await asyncio.sleep(0.01)
            with store.connection() as db:
                leaving.retire(db, "harbour", "bay-1", "E. Brandvold", "sold")
            while len(found := on.now({"harbour"})) > 1:
                await asyncio.sleep(0.01)
            assert list(on._following) == [("harbour", "bay-2")]
            return found
        finally:
            await on.close()

    [left] = asyncio.run(asyncio.wait_for(watch(), 30.0))
    assert left.bay == "bay-2"


def test_a_bay_that_is_not_heard_says_since_when_by_its_shops_own_clock(roll: Roll, path: Path) -> None:
    assert roll.take(path, roll.tokens[0]).status_code == 200
    with roll.store.connection() as db:
        db.execute(
            "update bay set heard = '2026-07-01T23:30:00+00:00', page = 'http://127.0.0.1:9' where shop = 'harbour'"
        )
    wall = Wall(roll.store, httpx.MockTransport(lambda request: httpx.Response(503)))

    async def since() -> str:
        await wall.start()
        try:
            while not (found := wall.now({"harbour"})):
                await asyncio.sleep(0.01)
            return found[0].said
        finally:
            await wall.close()

    assert asyncio.run(asyncio.wait_for(since(), 30.0)) == "its record last came 2026-07-02 01:30 UTC+02:00"


def test_a_stream_that_breaks_off_is_followed_again(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    from web.shop.many import wall

    monkeypatch.setattr(wall, "AGAIN_S", 0.01)
    asked = 0

    class Bays(httpx.AsyncBaseTransport):
        async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
            nonlocal asked
            asked += 1
            if asked == 1:
                raise httpx.ConnectError("the bay is off")
            if asked == 2:
                return httpx.Response(503)
            to_go = {**VIEW, "text": {**VIEW["text"], "to_go": f"{asked} L"}}  # type: ignore[dict-item]
            return httpx.Response(200, text=f"event: view\ndata: {json.dumps(to_go)}\n\n")

    store.enter_bay(COMPANY, "harbour", "bay-1", ZONE, "http://127.0.0.1:9")

    async def watch() -> str:
        on = Wall(store, Bays())
        await on.start()
        try:
            async for event in on.events({"harbour"}):
                told = json.loads(str(event.data))
                if told and told[0]["figure"] not in ("", "3 L"):
                    return str(told[0]["figure"])
        finally:
            await on.close()
        return ""

    assert asyncio.run(asyncio.wait_for(watch(), 30.0)).endswith(" L")
    assert asked > 3
