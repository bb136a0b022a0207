"""For every test of the bay: no engine outlives its test, and none gives a busy computer up."""

from collections.abc import Iterator

import pytest

from tests.station.bay.fake_rig import close_all


@pytest.fixture(autouse=True)
def _no_engine_is_left(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    for patience in ("CALL_S", "WRITTEN_S"):
        monkeypatch.setattr(f"station.bay.engine.{patience}", 60.0)
    yield
    close_all()
