"""The pages over many bays: a roll-up, two of whose bays have a token, and a bay's record of sixty jobs."""

import asyncio
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest

from station.people.access import Access
from station.record import outbox
from station.record.ledger import Ledger, Moment
from station.record.many import wire
from station.record.many.store import Store
from station.shop.movement import Movement
from tests.rolled import COMPANY, ZONE, enter, record
from tests.web.conftest import HOST
from web.many import create_app

SHOW = {"Accept": "text/html"}
MONTHS = "month=2026-12&months=12"


@dataclass
class Roll:
    store: Store
    tokens: list[str]
    client: httpx.AsyncClient
    runner: asyncio.Runner

    def send(self, method: str, path: str, **more: Any) -> httpx.Response:
        return self.runner.run(self.client.request(method, path, **more))

    def take(self, path: Path, token: str, after: int = 0, most: int = 2000) -> httpx.Response:
        headers = {"Authorization": f"Bearer {token}", "X-Tallypan": "1", "Content-Type": "application/json"}
        data = wire.batch_text(outbox.batch(path, after, most, "Bay <1>", "5a"))
        return self.send("POST", "/api/bays/take", content=data, headers=headers)


@pytest.fixture
def roll(store: Store) -> Iterator[Roll]:
    tokens = [enter(store), store.enter_bay(COMPANY, "quay", "bay-9", ZONE, "http://127.0.0.1:9")]
    app = create_app(store, Access(None))
    with asyncio.Runner() as runner:
        transport = httpx.ASGITransport(app, client=("127.0.0.1", 50000))
        yield Roll(store, tokens, httpx.AsyncClient(transport=transport, base_url=f"http://{HOST}"), runner)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    with closing(record(tmp_path / "bay.sqlite", 60)) as ledger:
        return Path(ledger.path)


def count(path: Path) -> None:
    """A keg is counted twice; 3 L left it meanwhile that nobody booked."""
    with closing(Ledger(path)) as ledger:
        for day, volume_l in (("2026-11-03", 40.0), ("2026-11-17", 37.0)):
            body = Movement("counted", "ATF", volume_l, 0.2, "keg <T>").to_dict()
            ledger.append(None, "movement", body, Moment("boot", 99.0, f"{day}T08:00:00.000+00:00", True))
