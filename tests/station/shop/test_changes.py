"""Goal M2: every change of a setting or a calibration is in the list, whichever way it came, and its number only grows."""

import json
import random
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from calibration.certificates import Certificate, Reference
from station.__main__ import main
from station.given.config import BayConfig, demo_path, read_config
from station.record import changes as counted
from station.record.author import BY
from station.record.ledger import Ledger, now
from station.record.recorder import Recorder
from station.shop import catalogue, changes
from station.shop.shop import Shop

CERTIFICATE = Certificate(
    "Bay 1 pan 1", "pan", "Bay 1 pan", "2026-03-01T10:00:00+00:00", "J. Lindqvist", "2027-03-01",
    (Reference("weights, set W3", 5.0, 0.00005, "kg", "W3-0417"),), {}, {}, {}, "As found.",
)  # fmt: skip
NAMES = ("E. Brandvold", "R. Halloran-Mbeki", "")


class Bay:
    """The shop's books over a real record, opened anew for each start of the station."""

    def __init__(self, folder: Path) -> None:
        self.config: BayConfig = replace(read_config(demo_path()), ledger=folder / "ledger.sqlite")
        self._start()

    def _start(self) -> None:
        self.recorder = Recorder(self.config.ledger, lambda text: None)
        ledger = Ledger(self.config.ledger, read_only=True)
        self.shop = Shop(self.config, self.recorder, ledger)
        ledger.close()

    def stop(self) -> None:
        self.recorder.close()

    def restart(self, stated: Mapping[str, str] | None = None) -> None:
        self.stop()
        if stated is not None:
            self.config = replace(self.config, stated=stated)
        self._start()

    def listed(self) -> list[changes.Changed]:
        self.recorder.wait_written(self.recorder.seal(), 10.0)
        ledger = Ledger(self.config.ledger, read_only=True)
        try:
            return changes.listed(ledger)
        finally:
            ledger.close()


@pytest.fixture
def bay(tmp_path: Path) -> Bay:
    return Bay(tmp_path)


def test_five_hundred_changes_by_every_way_are_all_listed_with_who_and_what(bay: Bay, tmp_path: Path) -> None:
    chance = random.Random(7)
    expected: list[tuple[str, str, str, str]] = []
    notes = {"Bus 12": "", "Bus 7": ""}
    stated = dict(bay.config.stated)
    begun = len(bay.listed())
    file = tmp_path / "fleet.csv"
    for n in range(500):
        by, vehicle = chance.choice(NAMES), chance.choice(list(notes))
        way = chance.choices(["page", "file", "command", "bay's file", "calibration"], [60, 25, 2, 8, 5])[0]
        text = f"note {n}"
        before = BY.set(by)
        if way == "page":
            bay.shop.enter("vehicle", {"vehicle": vehicle, "note": text})
        elif way == "file":
            bay.shop.import_file("vehicle", f"vehicle,note\n{vehicle},{text}\n".encode(), "fleet.csv")
            by = by or "fleet.csv"
        elif way == "command":
            bay.stop()
            file.write_text(f"vehicle,note\n{vehicle},{text}\n")
            assert (
                main(
                    [
                        "catalogue",
                        "vehicle",
                        "--ledger",
                        str(bay.config.ledger),
                        "--import",
                        str(file),
                        "--apply",
                    ]
                )
                == 0
            )
            bay.restart()
            by = "fleet.csv"
        elif way == "bay's file":
            old, stated["pan.u_rel"] = stated["pan.u_rel"], f"0.000{n}"
            BY.reset(before)
            before = BY.set("")
            bay.restart(stated)
            expected.append(("", "the bay's file: pan.u_rel", old, stated["pan.u_rel"]))
        else:
            old = next(
                (new for _, what, _, new in reversed(expected) if what == "calibration of Bay 1 pan"), ""
            )
            certificate = replace(CERTIFICATE, number=f"Bay 1 pan {n}")
            told = {"certificate": certificate.to_json(), "sha256": certificate.digest}
            bay.recorder.event(None, "certificate", told, now())
            expected.append((by, "calibration of Bay 1 pan", old, f"Bay 1 pan {n}"))
        BY.reset(before)
        if way in ("page", "file", "command"):
            expected.append((by, f"vehicle {vehicle}: note", notes[vehicle], text))
            notes[vehicle] = text
    listed = bay.listed()
    bay.stop()
    assert [(one.by, one.parameter, one.old, one.new) for one in listed[begun:]] == expected
    numbers = [one.counter for one in listed]
    assert None not in numbers
    assert sorted(numbers) == numbers  # type: ignore[type-var]  # no None, as said above
    assert numbers[begun:] == list(range(numbers[begun - 1] + 1, numbers[begun - 1] + 501))  # type: ignore[operator]


def test_a_start_with_the_same_file_changes_nothing(bay: Bay) -> None:
    before = bay.listed()
    assert before[0].parameter == "the bay's file"
    bay.restart()
    assert bay.listed() == before
    bay.stop()


def test_a_setting_that_is_taken_out_of_the_file_is_listed(bay: Bay) -> None:
    bay.restart({name: text for name, text in bay.config.stated.items() if name != "run.hose_l"})
    last = bay.listed()[-1]
    bay.stop()
    assert (last.parameter, last.old, last.new) == ("the bay's file: run.hose_l", "0.35", "")


def test_retiring_and_coming_back_are_changes(bay: Bay) -> None:
    bay.shop.enter("technician", {"technician": "P. Nakamura-Diaz"})
    bay.shop.retire("technician", ["P. Nakamura-Diaz"])
    bay.shop.enter("technician", {"technician": "P. Nakamura-Diaz"})
    rows = [(one.old, one.new) for one in bay.listed()[-3:]]
    bay.stop()
    assert rows == [("", "in use"), ("in use", "retired"), ("retired", "in use")]


def test_a_signed_in_name_goes_before_one_that_was_typed(bay: Bay) -> None:
    before = BY.set("M. Okafor")
    bay.shop.enter("technician", {"technician": "P. Nakamura-Diaz"}, by="E. Brandvold")
    BY.reset(before)
    assert bay.listed()[-1].by == "M. Okafor"
    bay.stop()


def test_a_change_that_is_not_written_uses_up_no_number(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path / "ledger.sqlite")
    body = {"origin": "page", "by": "", "changes": []}
    ledger.append(None, catalogue.EVENT, body, now())

    class Cut(Exception): ...

    def cut_off() -> None:
        with ledger.transaction():
            ledger.append(None, catalogue.EVENT, body, now())
            raise Cut

    with pytest.raises(Cut):
        cut_off()
    ledger.append(None, catalogue.EVENT, body, now())
    assert [event["body"]["counter"] for event in ledger.shop_events(catalogue.EVENT)] == [1, 2]
    ledger.close()


def test_a_record_from_before_changes_were_counted_goes_on_from_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger = Ledger(tmp_path / "ledger.sqlite")
    body = {"origin": "page", "by": "", "changes": []}
    with monkeypatch.context() as older:
        older.setattr(counted, "KINDS", ())
        ledger.append(None, catalogue.EVENT, body, now())
    ledger.append(None, catalogue.EVENT, body, now())
    assert [event["body"].get("counter") for event in ledger.shop_events(catalogue.EVENT)] == [None, 1]
    ledger.close()


def test_the_command_lists_them(bay: Bay, capsys: pytest.CaptureFixture[str]) -> None:
    bay.listed()
    bay.stop()
    assert main(["changes", "--ledger", str(bay.config.ledger), "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)["changes"]
    assert rows[0]["parameter"] == "the bay's file"
    assert {row["counter"] for row in rows} == {1, 2}
