"""Who may sign in is changed on a page or at the Pi; each change is in the record, once, with its number and who made it."""

import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import pytest

from station.__main__ import main
from station.bay.engine import Engine
from station.bay.people_book import PeopleBook
from station.errors import StationError
from station.people.access import Access
from station.people.people import Role
from station.people.store import People, path_beside
from station.record.author import BY
from station.record.verify import verify
from station.shop import changes
from tests.station.bay.fake_rig import engine_on


@pytest.fixture
def engine(tmp_path: Path) -> Iterator[Engine]:
    engine, _ = engine_on(tmp_path)
    yield engine
    engine.close()


@pytest.fixture
def people(tmp_path: Path) -> People:
    return People(path_beside(tmp_path / "ledger.sqlite"), by=BY.get)


def told(engine: Engine) -> list[tuple[str, str, str, str]]:
    with engine.reading() as ledger:
        listed = changes.listed(ledger)
    return [(c.by, c.parameter, c.old, c.new) for c in listed if c.parameter.startswith("people: ")]


def carry(people: People, engine: Engine) -> None:
    """One round of the book: it looks when it is closed."""
    PeopleBook(people, engine.entries.people_changed, every_s=3600.0).close()


def test_every_way_of_changing_people_is_listed_with_who_did_it_and_no_secret(
    engine: Engine, people: People, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    access = Access(people)
    access.claim("E. Brandvold", access.first_code or "", "a passphrase for the owner", None, None)
    BY.set("E. Brandvold")
    code = access.add("M. Okafor", Role.TECHNICIAN)
    people.set_role("M. Okafor", Role.MANAGER)
    people.unlock("M. Okafor")
    people.end_sessions("M. Okafor")
    BY.set("")
    where = ["people", "--ledger", str(tmp_path / "ledger.sqlite")]
    assert main([*where, "reset", "M. Okafor"]) == 0  # while the station runs
    new_code = capsys.readouterr().out.partition("the code ")[2].split()[0]
    access.claim("M. Okafor", new_code, "a passphrase of her own", None, None)
    assert main([*where, "retire", "M. Okafor"]) == 0
    assert told(engine) == []
    carry(people, engine)
    owner, pi, who = "E. Brandvold", "at the Pi", "people: M. Okafor"
    assert told(engine) == [
        (owner, "people: E. Brandvold: role", "", "owner"),
        (owner, f"{who}: role", "", "technician"),
        (owner, f"{who}: role", "technician", "manager"),
        (owner, f"{who}: tries", "", "given back"),
        (owner, f"{who}: sessions", "", "ended"),
        (pi, f"{who}: code for a new secret", "", "given"),
        ("M. Okafor", f"{who}: secret", "none", "chosen"),
        (pi, f"{who}: role", "manager", ""),
    ]
    with engine.reading() as ledger:
        numbers = [c.counter for c in changes.listed(ledger)]
        record = json.dumps(list(ledger.shop_events("people")), ensure_ascii=False)
    assert numbers == sorted(numbers)  # type: ignore[type-var]  # all counted
    for secret in ("argon2", "passphrase", code, new_code):
        assert secret not in record
    assert verify(engine.config.ledger).broken == []
    assert people.untold() == ()


def test_what_the_record_does_not_take_waits_and_what_it_has_is_not_entered_twice(
    engine: Engine, people: People, monkeypatch: pytest.MonkeyPatch
) -> None:
    people.add("E. Brandvold", Role.OWNER, secret="a hash")

    def refuse(_: Sequence[Mapping[str, str]]) -> None:
        raise StationError("the disk is full")

    PeopleBook(people, refuse, every_s=3600.0).close()
    assert len(people.untold()) == 1
    with monkeypatch.context() as killed:  # after the record has it, and before the file says so
        killed.setattr(people, "told", lambda ids: None)
        carry(people, engine)
    assert len(people.untold()) == 1
    carry(people, engine)
    assert len(told(engine)) == 1
    assert people.untold() == ()
