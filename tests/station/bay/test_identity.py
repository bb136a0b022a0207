"""Goal M1: the identity that is shown is that of the running files, and a change of one byte is seen at the next start."""

import hashlib
import random
import shutil
from pathlib import Path

import pytest

from station.bay import identity
from station.record.ledger import Ledger
from tests.station.bay.fake_rig import engine_on


@pytest.fixture
def house(tmp_path: Path) -> Path:
    """A copy of the packages."""
    copy = tmp_path / "house"
    for package in identity.PACKAGES:
        shutil.copytree(
            identity.HOUSE / package, copy / package, ignore=shutil.ignore_patterns("__pycache__")
        )
    return copy


def test_it_is_that_of_the_files_that_run(house: Path) -> None:
    assert identity.of() == identity.of(house)
    assert len(list(identity.files(house))) > 200


def test_it_is_reckoned_as_stated(tmp_path: Path) -> None:
    """By hand: name and bytes of each file in the order of names, each behind its length in eight bytes."""
    for name, data in (("web/b.css", b"x"), ("station/a.py", b""), ("station/sub/c.toml", b"1\n")):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(data)
    (tmp_path / "station" / "__pycache__").mkdir()
    (tmp_path / "station" / "__pycache__" / "a.pyc").write_bytes(b"never twice the same")
    (tmp_path / "other.py").write_bytes(b"not of the packages")
    long = b"".join(
        len(part).to_bytes(8, "big") + part
        for part in (b"station/a.py", b"", b"station/sub/c.toml", b"1\n", b"web/b.css", b"x")
    )
    assert identity.of(tmp_path) == hashlib.sha256(long).hexdigest()


def test_any_byte_changed_is_another_identity(house: Path) -> None:
    before, rng = identity.of(house), random.Random(5)
    candidates = [path for path in identity.files(house) if path.stat().st_size]
    for _ in range(40):
        path = rng.choice(candidates)
        data = path.read_bytes()
        at = rng.randrange(len(data))
        path.write_bytes(data[:at] + bytes([data[at] ^ 1 << rng.randrange(8)]) + data[at + 1 :])
        assert identity.of(house) != before
        path.write_bytes(data)
    assert identity.of(house) == before


@pytest.mark.parametrize("change", ["a name", "a new file", "a file gone", "bytes moved into a name"])
def test_a_change_of_names_is_another_identity(house: Path, change: str) -> None:
    before, path = identity.of(house), house / "station" / "errors.py"
    if change == "a name":
        path.rename(path.with_name("errors2.py"))
    elif change == "a new file":
        (house / "web" / "static" / "x.js").write_bytes(b"")
    elif change == "a file gone":
        path.unlink()
    else:
        data = path.read_bytes()
        path.rename(path.with_name("errors.py" + data[:1].decode()))
        path.with_name("errors.py" + data[:1].decode()).write_bytes(data[1:])
    assert identity.of(house) != before


def software_events(folder: Path) -> list[dict[str, object]]:
    ledger = Ledger(folder / "ledger.sqlite", read_only=True)
    found = [event["body"] for event in ledger.shop_events(identity.EVENT)]
    ledger.close()
    return found


def test_the_record_says_when_other_software_begins_to_write_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = identity.of()
    for software in (real, real, "ab" * 32):
        monkeypatch.setattr(identity, "of", lambda software=software: software)
        engine, _ = engine_on(tmp_path)
        assert engine.software == software
        engine.close()
    first, second = software_events(tmp_path)
    assert (first["old"], first["new"]) == (None, real)
    assert (second["old"], second["new"]) == (real, "ab" * 32)
    assert second["text"] == f"the software changed: {identity.short(real)} → abab abab abab abab"


def test_a_job_that_is_over_keeps_the_identity_it_was_measured_with(tmp_path: Path) -> None:
    from tests.station.bay.fake_rig import FORM

    engine, _ = engine_on(tmp_path)
    job_id = engine.open_job(FORM)
    assert engine.job(job_id).software is None
    engine.abandon("only a test")
    engine.close()
    again, _ = engine_on(tmp_path)
    assert again.job(job_id).software == identity.of() == again.software
    again.close()
    assert len(software_events(tmp_path)) == 1
