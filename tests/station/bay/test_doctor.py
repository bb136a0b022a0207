"""What the doctor says of the fluids in a bay's file, of the converter's readers and of what it heard; ports are looked at in
test_serial_config."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from hardware.converters.choose import Trial
from station.bay import doctor, identity
from station.bay.doctor import Finding, examine
from station.errors import StationError
from station.given.config import BayConfig, demo_path, read_config
from station.record.ledger import Ledger, now
from station.shop import catalogue, offered


def no_devices() -> tuple[Any, Callable[[], None]]:
    raise StationError("not asked for here")


def of_fluids(config: BayConfig) -> list[Finding]:
    return [found for found in examine(config, True, no_devices) if found.what.startswith("fluid")]


def test_the_demos_fluids_are_plausible() -> None:
    [found] = of_fluids(read_config(demo_path()))
    assert found.ok
    assert "gear_75w90" in found.text


def test_a_mistyped_viscosity_is_doubted_by_its_index_and_by_its_grade() -> None:
    config = read_config(demo_path())
    mistyped = replace(config.fluids["gear_75w90"], kv100_mm2_s=51.2)  # for 15.2
    found = of_fluids(replace(config, fluids={"gear_75w90": mistyped}))
    assert [one.ok for one in found] == [True, False, False]
    assert "viscosity index of" in found[1].text
    assert "the range of grade 90" in found[2].text


def test_a_bay_without_fluids_is_told() -> None:
    [found] = of_fluids(replace(read_config(demo_path()), fluids={}))
    assert not found.ok
    assert "/setup?table=fluid" in found.text


def test_a_fluid_that_was_entered_on_the_page_is_one(tmp_path: Path) -> None:
    config = replace(read_config(demo_path()), ledger=tmp_path / "l.sqlite")
    ledger = Ledger(config.ledger)
    ledger.append(None, catalogue.EVENT, catalogue.body(offered.from_config(config), "page"), now(0.0))
    ledger.close()
    [found] = of_fluids(replace(config, fluids={}))
    assert found.ok
    assert "gear_75w90 " in found.text


def test_the_software_is_named_whatever_else_is_wrong() -> None:
    [found] = [
        found
        for found in examine(replace(read_config(demo_path()), fluids={}), True, no_devices)
        if found.what == "software"
    ]
    assert found.ok
    assert identity.of() in found.text


@pytest.mark.parametrize(
    ("version", "ok", "told"),
    [
        ((3, 34, 1), False, "knows no strict tables"),
        ((3, 40, 1), True, "two connections"),
        ((3, 44, 5), True, "two connections"),
        ((3, 44, 6), True, "3.44.6"),
        ((3, 50, 7), True, "3.50.7"),
        ((3, 51, 2), True, "two connections"),
        ((3, 51, 3), True, "3.51.3"),
    ],
)
def test_the_sqlite_underneath_is_judged_by_its_version(
    version: tuple[int, ...], ok: bool, told: str
) -> None:
    found = doctor.sqlite(version)
    assert found.ok is ok
    assert told in found.text
    assert ("damage" in found.text) is (told == "two connections")


def converter(monkeypatch: pytest.MonkeyPatch, *trials: Trial) -> Finding:
    """What is said of a Pi's converter whose readers did so."""
    config = read_config(demo_path())
    monkeypatch.setattr(doctor, "openers", lambda *_: {trial.reader: trial for trial in trials})
    monkeypatch.setattr(doctor, "tried", lambda _name, trial: trial)
    (found,) = doctor.converter(config, simulated=False)
    return found


def test_a_converters_readers_are_measured(monkeypatch: pytest.MonkeyPatch) -> None:
    found = converter(monkeypatch, Trial("lgpio", 21e-6, 48e-6), Trial("package", problem="no GPIO library"))
    assert found.ok
    assert found.text == (
        "lgpio: clock high 21 µs, at worst 48 µs; 0 of 8 bursts too slow; package: no GPIO library"
    )


def test_a_computer_too_slow_for_every_reader_is_told_and_not_its_wiring(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    found = converter(monkeypatch, Trial("lgpio", 70e-6, 148e-6, 8), Trial("package", 170e-6, 248e-6, 8))
    assert not found.ok
    assert "too slow or too busy" in found.text
    assert "wire the converter to SPI (pan_dout = 9 with pan_sck = 10" in found.text
    assert doctor.converter(read_config(demo_path()), simulated=True) == []


def test_permanent_bad_timing_is_not_blamed_on_the_wiring(monkeypatch: pytest.MonkeyPatch) -> None:
    class Engine:
        def heard(self) -> tuple[dict[str, float], dict[str, str]]:
            return {"pan": 84213, "pump": 0}, {"pan": "timing", "meter": "failed"}

    monkeypatch.setattr(doctor, "LISTEN_S", 0.0)
    said = {found.what: found for found in doctor.devices(lambda: (Engine(), lambda: None))}
    assert not said["pan"].ok
    assert said["pan"].text.startswith("timing: the computer is too busy")
    assert said["meter"].text == "failed; check its wiring"
