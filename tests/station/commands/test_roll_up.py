"""The roll-up from the terminal: a bay entered, the bays listed, all of it checked; a shop put together on one machine."""

import json
import sys
from contextlib import closing
from pathlib import Path

import pytest

from station.__main__ import main
from station.commands.run_shop import PASSPHRASE, PEOPLE, bay_file, peopled, shop_of, watched
from station.errors import StationError
from station.given.config import read_config
from station.people import secrets
from station.people.people import DEMO_PEOPLE
from station.people.store import People, path_beside
from station.record import outbox
from station.record.many.embedded import Embedded
from station.record.many.store import Store
from tests.rolled import bay_of, enter, fresh, give, record


def test_a_bay_is_entered_listed_and_checked(
    postgres: Embedded, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    dsn = fresh(postgres.dsn)
    assert main(["roll-up", "bays", "--dsn", dsn]) == 0
    assert "No bay" in capsys.readouterr().out
    enter = ["roll-up", "enter", "estuary-buses", "harbour", "bay-1", "--dsn", dsn]
    assert main(enter) == 2
    assert "time zone" in capsys.readouterr().err
    assert main([*enter, "--time-zone", "Europe/Oslo"]) == 0
    token = capsys.readouterr().out.strip()
    with closing(record(tmp_path / "bay.sqlite", 3)), closing(Store(dsn)) as store:
        give(store, bay_of(store, token), outbox.batch(tmp_path / "bay.sqlite", 0, 100))
        assert main(["roll-up", "verify", "--dsn", dsn, "--json"]) == 0
        assert json.loads(capsys.readouterr().out) == {"whole": True, "broken": []}
        with store.connection() as db:
            db.execute("delete from event where seq = 2")
            db.execute("update bay set fault = 'entry 3 is another one'")
    assert main(["roll-up", "verify", "--dsn", dsn]) == 1
    assert "entry 2 is missing" in capsys.readouterr().out
    assert main(["roll-up", "bays", "--dsn", dsn]) == 1
    assert "another one" in capsys.readouterr().out
    accept = ["roll-up", "accept", "harbour", "bay-1", "--because", "the card was changed", "--dsn", dsn]
    assert main(accept) == 0
    assert "set aside, and stay" in capsys.readouterr().out
    assert main(accept) == 2
    assert "not refused" in capsys.readouterr().err


def test_a_file_becomes_a_version_of_the_shops_lists(
    postgres: Embedded, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    dsn = fresh(postgres.dsn)
    with closing(Store(dsn)) as store:
        enter(store)
    file = tmp_path / "vehicles.csv"
    file.write_text("vehicle,note\nBus 1,blue\nBus 2,\n")
    change = ["roll-up", "lists", "harbour", "vehicle", str(file), "--dsn", dsn]
    assert main([*change, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["version"] == 0
    assert main([*change, "--apply", "--by", "E. Brandvold"]) == 0
    assert "version 1 of the lists of harbour" in capsys.readouterr().out
    assert main([*change, "--apply"]) == 0
    assert "2 unchanged; nothing was changed" in capsys.readouterr().out
    retire = ["roll-up", "lists", "harbour", "vehicle", "--retire", "Bus 2", "--apply", "--dsn", dsn]
    assert main(retire) == 0
    assert "version 2" in capsys.readouterr().out
    file.write_text("vehicle,note\n,blue\n")
    assert main([*change, "--apply"]) == 2
    assert "nothing imported" in capsys.readouterr().err
    assert main([*change, "--apply", "--retire", "Bus 1"]) == 2


def test_which_database_has_to_be_said(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert main(["roll-up", "bays"]) == 2
    assert "--data" in capsys.readouterr().err
    assert main(["roll-up", "serve"]) == 2
    assert "--data" in capsys.readouterr().err
    assert main(["roll-up", "bays", "--data", str(tmp_path / "slip")]) == 2
    assert "there is no roll-up" in capsys.readouterr().err
    assert not (tmp_path / "slip").exists()


def test_a_bay_of_the_shop_is_one_that_starts_and_reports(tmp_path: Path) -> None:
    config = read_config(bay_file(tmp_path, 2, 9002, 9000, "de"))
    assert (config.name, config.serve.port, config.ledger) == ("Bay 2", 9002, tmp_path / "bay-2.sqlite")
    assert config.language == "de"
    assert config.roll_up is not None
    assert config.roll_up.address == "http://127.0.0.1:9000"


def test_two_shops_are_played_with_people_who_sign_in_by_what_is_printed(tmp_path: Path) -> None:
    assert [shop_of(n) for n in (1, 2, 3)] == ["reedbank", "millrace", "reedbank"], (
        "each past in a shop of its own"
    )
    (tmp_path / "roll-up").mkdir()
    rows = peopled(tmp_path)
    people = People(path_beside(tmp_path / "roll-up" / "roll-up.sqlite"))
    kept = {one.person.name: one for one in people.all()}
    for row in rows:
        one = kept[row["name"]]
        secrets.check(one.person, row["signs in with"])
        assert one.person.shops == tuple(filter(None, [row["shop"]]))
    assert secrets.matches(kept["R. Halloran-Mbeki"].secret or "", PASSPHRASE)
    at_the_bays = {one.name: one.role for one in DEMO_PEOPLE}
    for name, role, _shops in PEOPLE:
        assert at_the_bays.get(name, role) is role, (
            f"{name} is one and the same at the roll-up and at its bays"
        )
    assert peopled(tmp_path) == rows
    assert {one.person.name: one for one in people.all()} == kept, "who is there already stays as they are"


def test_the_shop_goes_on_without_a_bay_that_ends_and_ends_with_the_roll_up(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ends = ["roll-up", "bays"]
    stays = ["serve", "--simulated", "--empty", "--config", str(bay_file(tmp_path, 1, 0, 9000))]
    (tmp_path / "bay-1.token").write_text("token\n")
    with pytest.raises(StationError, match="the roll-up ended by itself with exit status 2"):
        watched({"the roll-up": ends, "bay 1": stays})
    with pytest.raises(StationError, match=r"bay [12] ended by itself with exit status 2"):
        watched({"the roll-up": stays, "bay 1": ends, "bay 2": ends})
    assert "the shop goes on without it. It comes back by: tallypan roll-up bays" in capsys.readouterr().out
    monkeypatch.setattr(sys, "argv", [".venv/bin/tallypan", "roll-up", "shop"])
    with pytest.raises(StationError, match=r"bay [12] ended by itself with exit status 2"):
        watched({"the roll-up": stays, "bay 1": ends, "bay 2": ends})
    said = capsys.readouterr().out
    assert "It comes back by: .venv/bin/tallypan roll-up bays" in said, "a fresh clone has it nowhere else"


def test_a_bay_is_moved_retired_and_brought_back(
    postgres: Embedded, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    dsn = fresh(postgres.dsn)

    def run(*words: str) -> tuple[int, str]:
        status = main(["roll-up", *words, "--dsn", dsn])
        told = capsys.readouterr()
        return status, told.out + told.err

    why = ("--because", "the pit was closed", "--by", "E. Brandvold")
    with closing(Store(dsn)) as store:
        token = enter(store)
        with closing(record(tmp_path / "bay.sqlite", 40)):
            give(store, bay_of(store, token), outbox.batch(tmp_path / "bay.sqlite", 0, 1000))
        for words, says in (
            (("move", "harbour", "bay-1", "quay", "bay-7", "--when", "2026-02-01"), "add the time"),
            (("move", "harbour", "bay-1", "quay", "bay-7", "--when", "2099-02-01 08:00"), "still to come"),
            (("move", "harbour", "bay-1", "quay", "bay-7"), "say whose days"),
            (("retire", "harbour", "bay-4"), "no bay"),
            (("bring-back", "harbour", "bay-1"), "not retired"),
        ):
            status, told = run(*words, *why)
            assert (status, says in told) == (2, True), (words, told)
        moving = ("move", "harbour", "bay-1", "quay", "bay-7", "--when", "2026-02-05 00:00")
        status, told = run(*moving, "--time-zone", "Europe/Oslo", *why)
        assert (status, "goes on as quay, bay-7" in told) == (0, True), told
        with store.connection() as db:
            of = db.execute("select shop, count(*) from job group by shop order by shop").fetchall()
            (seen,) = db.execute("select count(*) from event where shop = 'quay'").fetchone() or (0,)
        assert of == [("harbour", 32), ("quay", 8)]
        assert f" {seen} entries" in told
        status, told = run("retire", "quay", "bay-7", *why)
        assert (status, "Its jobs stay" in told) == (0, True), told
        status, told = run("bays")
        assert (status, "gone_at" in told) == (0, True)
        assert run("verify")[0] == 0
        status, told = run("bring-back", "quay", "bay-7", *why)
        assert (status, "in use again" in told) == (0, True)
    entering = ("enter", "estuary-buses", "pier", "bay-1", "--time-zone", "Europe/Oslo")
    assert run(*entering, "--since", "2026-03-01")[0] == 2
    assert run(*entering, "--since", "2026-03-01 08:00")[0] == 0
