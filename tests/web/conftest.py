"""The pages over a double of the engine, called in this process."""

import asyncio
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import httpx
import pytest

from station.people.access import Access
from tests.web.fake_engine import FakeEngine
from web.app import create_app
from web.jobs import pages, pdf

HOST = "127.0.0.1:8765"
CHANGE = {"X-Tallypan": "1", "Content-Type": "application/json", "Origin": f"http://{HOST}"}


@pytest.fixture(autouse=True)
def _no_pdf_is_set(monkeypatch: pytest.MonkeyPatch) -> None:
    """A PDF takes seconds of a processor; tests/web/jobs/test_sheet.py makes real ones. The process that does gives way to all
    others, so that beside a busy suite a minute and a half may not be enough."""
    monkeypatch.setattr(pdf, "LIMIT_S", 900.0)
    monkeypatch.setattr(pages, "pdf_of", lambda html, paper: b"%PDF-" + paper.encode())


@dataclass
class Bay:
    """One running application. html and post are what a browser on the bay's page would send."""

    engine: FakeEngine
    client: httpx.AsyncClient
    runner: asyncio.Runner
    change: Mapping[str, str] = field(default_factory=lambda: dict(CHANGE))

    def send(self, method: str, path: str, **more: Any) -> httpx.Response:
        return self.runner.run(self.client.request(method, path, **more))

    def html(self, path: str) -> httpx.Response:
        return self.send("GET", path, headers={"Accept": "text/html"})

    def post(self, path: str, body: Any) -> httpx.Response:
        return self.send("POST", path, json=body, headers=self.change)


@pytest.fixture
def open_bay() -> Iterator[Callable[..., Bay]]:
    """Make a bay from an engine; its application runs until the test ends. access: where none is given, a simulated
    bay's, which asks for no secret."""
    with asyncio.Runner() as runner:
        closing = []

        def build(engine: FakeEngine | None = None, access: Access | None = None, **options: Any) -> Bay:
            engine = engine if engine is not None else FakeEngine()
            app = create_app(engine, access if access is not None else Access(None), **options)
            lifespan = app.router.lifespan_context(app)
            runner.run(lifespan.__aenter__())
            closing.append(lifespan)
            transport = httpx.ASGITransport(app, client=("127.0.0.1", 50000))
            return Bay(engine, httpx.AsyncClient(transport=transport, base_url=f"http://{HOST}"), runner)

        yield build
        for lifespan in closing:
            runner.run(lifespan.__aexit__(None, None, None))


@pytest.fixture
def bay(open_bay: Callable[..., Bay]) -> Bay:
    return open_bay()
