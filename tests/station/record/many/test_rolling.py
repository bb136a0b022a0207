"""M4 in short: nothing is lost and nothing comes twice, and without the key the same run doubles."""

from pathlib import Path

import pytest

from station.record.many import ingest
from station.record.many.embedded import Embedded
from tests.rolled import fresh
from tests.soak import rolling


def test_bays_roll_up_over_a_bad_line_to_a_server_that_dies(postgres: Embedded, tmp_path: Path) -> None:
    """A database for each of two shops: what holds there holds in one, where nothing tells a bay's entries from another's but
    its key."""
    apart = [fresh(postgres.dsn) for _ in range(2)]
    found = rolling.roll(postgres, apart, tmp_path, 3, 50, kills=3, batch=25)
    assert found.entries > 750
    assert (found.kills, found.lost, found.surplus, found.wrong) == (3, 0, 0, ())


def test_without_the_key_it_doubles_and_that_is_seen(
    postgres: Embedded, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rolling.believing(lambda name, value: monkeypatch.setattr(ingest, name, value))
    found = rolling.roll(
        postgres,
        [fresh(postgres.dsn)],
        tmp_path,
        2,
        20,
        kills=0,
        batch=25,
        plant=rolling.without_the_key,
        processes=0,  # the fault is planted in this one
    )
    assert found.surplus > 0
    assert found.wrong
    assert not found.sound
