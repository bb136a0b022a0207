"""What gets another name is on disk before, and so is the name itself before anybody relies on it: else a power cut leaves
the name of an empty file."""

import os
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from station.learning import condition
from station.people.people import Role
from station.people.store import People
from station.record import anchor, copying
from station.record.unsaved import SideNote


class Deeds:
    """Every sync and every new name, in order."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.done: list[tuple[str, Path]] = []
        sync = os.fsync

        def told(fd: int) -> None:
            self.done.append(("sync", Path(os.readlink(f"/proc/self/fd/{fd}"))))
            sync(fd)

        monkeypatch.setattr(os, "fsync", told)
        for name in ("replace", "rename"):
            monkeypatch.setattr(os, name, self._named(getattr(os, name)))

    def _named(self, real: Callable[..., None]) -> Callable[..., None]:
        def named(source: Any, target: Any) -> None:
            self.done.append(("name", Path(source)))
            real(source, target)

        return named


def a_copy(folder: Path) -> None:
    source = sqlite3.connect(":memory:")
    copying.copy_database(source, folder / "copy.sqlite")
    source.close()


def a_photo(folder: Path) -> None:
    condition.store(folder, condition.Photo(b"bytes", f"{'0' * 64}.png", "image/png", 1, 1))


WRITERS: dict[str, Callable[[Path], object]] = {
    "a copy of the record": a_copy,
    "the station's key": lambda folder: anchor.own_key(folder / "l.sqlite"),
    "a photo": a_photo,
    "the file of people": lambda folder: People(folder / "people.json").add("E. Brandvold", Role.OWNER),
}


@pytest.mark.parametrize("what", WRITERS)
def test_what_has_a_name_is_on_disk(what: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    deeds = Deeds(monkeypatch)
    WRITERS[what](tmp_path)
    named = [path for deed, path in deeds.done if deed == "name"]
    assert named
    for path in named:
        at = deeds.done.index(("name", path))
        assert ("sync", path) in deeds.done[:at], f"{path.name} got its name before its bytes were on disk"
    assert deeds.done[-1] == ("sync", tmp_path), "the new name itself is not on disk"


def test_the_note_of_what_a_full_disk_kept_out_is_on_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    note = SideNote(tmp_path / "l.sqlite")
    deeds = Deeds(monkeypatch)
    note.write(1, 0, [])
    assert deeds.done == [("sync", note.path)]
