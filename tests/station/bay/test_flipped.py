"""Goal M3: a bay's file or a certificate with a flipped bit is refused, or it says what it said before, or the record notes
what it says now; nothing is weighed by a number that nobody can see."""

import dataclasses
import random
from pathlib import Path

import pytest

from station.bay import fitness
from station.errors import InputError, LedgerError
from station.given.config import BayConfig, demo_path, read_config
from station.record.ledger import Ledger
from station.record.verify import verify
from tests.station.bay.test_fitness import with_pan

FLIPS = [60, pytest.param(1000, marks=pytest.mark.long)]


def flipped(data: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(data))
    return data[:at] + bytes([data[at] ^ 1 << rng.randrange(8)]) + data[at + 1 :]


def weighs_by(config: BayConfig) -> object:
    return dataclasses.replace(config, stated={}, source="")


@pytest.mark.parametrize("flips", FLIPS)
def test_a_flipped_bit_of_a_bays_file_is_refused_or_noted(flips: int, tmp_path: Path) -> None:
    sound, file, rng = demo_path().read_bytes(), tmp_path / "bay.toml", random.Random("M3 file")
    file.write_bytes(sound)
    before, refused, noted = read_config(file), 0, 0
    for _ in range(flips):
        file.write_bytes(flipped(sound, rng))
        try:
            after = read_config(file)
        except InputError:
            refused += 1
            continue
        if weighs_by(after) != weighs_by(before):
            assert after.stated != before.stated, (
                "it weighs by something else, and the record would not say so"
            )
            noted += 1
    assert refused > flips / 20
    assert noted > 0


@pytest.mark.parametrize("flips", FLIPS)
def test_a_flipped_bit_of_a_certificate_is_told_and_nothing_weighs_by_it(flips: int, tmp_path: Path) -> None:
    config, rng = with_pan(tmp_path), random.Random("M3 certificate")
    path = config.ledger
    ledger = Ledger(path)
    seq, body = ledger.db.execute("select seq, body from event where kind = 'certificate'").fetchone()
    ledger.db.execute("drop trigger event_no_update")
    sound = fitness.check_lines(config)
    refused = 0
    for _ in range(flips):
        changed = flipped(body.encode(), rng).decode(errors="replace")
        ledger.db.execute("update event set body = ? where seq = ?", [changed, seq])
        ledger.db.conn.commit()
        broken = verify(path).broken
        assert [text for text in broken if f"event {seq} " in text], changed
        try:
            weighs = fitness.check_lines(config)
        except (InputError, LedgerError, ValueError):
            refused += 1
            continue
        assert weighs == sound, changed
    ledger.close()
    assert refused > flips / 2
