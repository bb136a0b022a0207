"""For every test of the bay: no engine outlives its test."""

from collections.abc import Iterator

import pytest

from tests.station.bay.fake_rig import close_all


@pytest.fixture(autouse=True)
def _no_engine_is_left() -> Iterator[None]:
    yield
    close_all()
