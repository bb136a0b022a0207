"""The file of people: whole or not at all, nobody else's to read, and shared by station and command."""

import json
import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from station.errors import InputError, StationError
from station.people.people import Person, Role
from station.people.store import People, path_beside


@pytest.fixture
def people(tmp_path: Path) -> People:
    return People(path_beside(tmp_path / "ledger.sqlite"))


def test_at_first_there_is_nobody_and_no_file(people: People) -> None:
    assert people.all() == []
    assert not people.has_owner()
    assert not people.path.exists()


def test_what_was_entered_is_there_for_the_next_start(people: People) -> None:
    people.add("  E.  Brandvold ", Role.OWNER, secret="hash of a passphrase")
    people.add("M. Okafor", Role.TECHNICIAN, code="hash of a code")
    again = People(people.path)
    assert again.all() == people.all()
    assert [(kept.person, kept.secret) for kept in again.all()] == [
        (Person("E. Brandvold", Role.OWNER), "hash of a passphrase"),
        (Person("M. Okafor", Role.TECHNICIAN), None),
    ]
    assert again.has_owner()
    assert again.device_key == people.device_key != b""


def test_the_file_is_the_services_alone_to_read(people: People) -> None:
    before = os.umask(0)
    try:
        people.add("E. Brandvold", Role.OWNER)
    finally:
        os.umask(before)
    assert stat.S_IMODE(people.path.stat().st_mode) == 0o600
    assert {path.name for path in people.path.parent.iterdir()} == {"people.json", "people.json.lock"}


def test_a_change_from_elsewhere_is_seen_at_the_next_look(people: People) -> None:
    people.add("E. Brandvold", Role.OWNER, secret="one")
    before = people.current("E. Brandvold")
    People(people.path).set_secret("E. Brandvold", "two")
    kept = people.get("E. Brandvold")
    assert kept is not None
    assert kept.secret == "two"
    assert people.current("E. Brandvold") != before


def test_who_leaves_and_comes_back_is_not_who_was_signed_in(people: People) -> None:
    people.add("E. Brandvold", Role.OWNER)
    people.add("M. Okafor", Role.TECHNICIAN)
    before = people.current("M. Okafor")
    people.retire("M. Okafor")
    assert people.current("M. Okafor") is None
    people.add("M. Okafor", Role.TECHNICIAN)
    assert people.current("M. Okafor") != before


def test_changing_role_between_pin_and_passphrase_takes_the_secret(people: People) -> None:
    people.add("E. Brandvold", Role.OWNER)
    people.add("M. Okafor", Role.TECHNICIAN, secret="a PIN's hash")
    assert people.set_role("M. Okafor", Role.OWNER).secret is None
    people.set_secret("M. Okafor", "a passphrase's hash")
    assert people.set_role("M. Okafor", Role.MANAGER).secret == "a passphrase's hash"


def test_unlocking_ends_no_session(people: People) -> None:
    people.add("M. Okafor", Role.TECHNICIAN)
    before = people.current("M. Okafor")
    assert people.unlock("M. Okafor").unlocked == 1
    assert people.current("M. Okafor") == before


@pytest.mark.parametrize("name", ["", "   ", "x" * 81, "two\nlines", "bell\x07", "zero\u200bwidth"])
def test_a_name_is_a_name(people: People, name: str) -> None:
    if name == "two\nlines":
        assert people.add(name, Role.OWNER).person.name == "two lines"
        return
    with pytest.raises(InputError):
        people.add(name, Role.OWNER)
    assert people.all() == []


def test_one_name_is_one_person(people: People) -> None:
    people.add("M. Okafor", Role.OWNER)
    with pytest.raises(InputError, match="here already"):
        people.add("m. OKAFOR", Role.TECHNICIAN)


def test_the_last_owner_stays(people: People) -> None:
    people.add("E. Brandvold", Role.OWNER)
    people.add("M. Okafor", Role.TECHNICIAN)
    for change in (
        lambda: people.retire("E. Brandvold"),
        lambda: people.set_role("E. Brandvold", Role.MANAGER),
    ):
        with pytest.raises(InputError, match="last owner"):
            change()
    assert [kept.person.role for kept in people.all()] == [Role.OWNER, Role.TECHNICIAN]


def test_nobody_is_named_who_is_not_here(people: People) -> None:
    with pytest.raises(InputError, match="nobody yet"):
        people.unlock("M. Okafor")


@pytest.mark.parametrize(
    "text", ["", "{", "[]", '{"people": []}', '{"device_key": "00", "people": []}', "\xff"]
)
def test_a_broken_file_lets_nobody_in_and_is_not_written_over(people: People, text: str) -> None:
    people.path.write_text(text, encoding="latin-1")
    for use in (people.all, lambda: people.add("M. Okafor", Role.OWNER)):
        with pytest.raises(StationError, match=r"people\.json"):
            use()
    assert people.path.read_text(encoding="latin-1") == text


def test_a_disk_that_is_full_leaves_what_was(people: People, monkeypatch: pytest.MonkeyPatch) -> None:
    people.add("E. Brandvold", Role.OWNER)
    before = people.path.read_bytes()

    def full(file: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StationError, match="Nothing was changed"):
        people.add("M. Okafor", Role.TECHNICIAN)
    assert people.path.read_bytes() == before
    assert [kept.person.name for kept in people.all()] == ["E. Brandvold"]


def test_it_is_synced_before_it_gets_its_name(people: People, monkeypatch: pytest.MonkeyPatch) -> None:
    done: list[str] = []
    sync, rename = os.fsync, os.rename

    def told_sync(file: int) -> None:
        done.append("sync")
        sync(file)

    def told_rename(old: Path, new: Path) -> None:
        done.append("rename")
        rename(old, new)

    monkeypatch.setattr(os, "fsync", told_sync)
    monkeypatch.setattr(os, "rename", told_rename)
    people.add("E. Brandvold", Role.OWNER)
    assert done == ["sync", "rename", "sync"]


def test_two_processes_lose_nothing_of_each_other(people: People) -> None:
    people.add("E. Brandvold", Role.OWNER)
    code = (
        "import sys; from pathlib import Path; from station.people.store import People; "
        "from station.people.people import Role\n"
        "for n in range(20): People(Path(sys.argv[1])).add(f'{sys.argv[2]} {n}', Role.TECHNICIAN)"
    )
    running = [subprocess.Popen([sys.executable, "-c", code, people.path, who]) for who in ("A", "B")]
    assert [process.wait(60) for process in running] == [0, 0]
    assert len(people.all()) == 41
    assert len(json.loads(people.path.read_text())["people"]) == 41
