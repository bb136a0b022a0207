"""What the doctor says of the computer itself, from the kernel's files."""

import os
import tempfile
from dataclasses import replace
from pathlib import Path

import pytest

from hardware.board import faults, give_lgpio_a_folder
from hardware.pins import PinMap
from station.bay import doctor
from station.given.config import demo_path, read_config


@pytest.fixture
def board(tmp_path: Path) -> Path:
    """A Pi with nothing wrong: outputs let go, a bus with two sensors."""
    parameter = tmp_path / "sys/module/pinctrl_bcm2835/parameters/persist_gpio_outputs"
    parameter.parent.mkdir(parents=True)
    parameter.write_text("N\n")
    for name in ("w1_bus_master1", "28-0a", "28-0b"):
        (tmp_path / "sys/bus/w1/devices" / name).mkdir(parents=True)
    return tmp_path


def sensor(board: Path, name: str) -> Path:
    return board / "sys/bus/w1/devices" / name


def test_a_board_with_nothing_wrong(board: Path, tmp_path: Path) -> None:
    assert faults(PinMap(), {"air_c": sensor(board, "28-0a")}, board, narrow=False) == {}
    assert faults(PinMap(), {}, tmp_path / "no such folder", narrow=False) == {}


@pytest.mark.parametrize("driver", ["pinctrl_bcm2835", "pinctrl_rp1"])
def test_a_kernel_that_keeps_a_dead_guards_pin_is_told(board: Path, driver: str) -> None:
    parameter = board / "sys/module" / driver / "parameters/persist_gpio_outputs"
    parameter.parent.mkdir(parents=True, exist_ok=True)
    parameter.write_text("Y\n")
    told = faults(PinMap(pump=13), {"air_c": sensor(board, "28-0a")}, board, narrow=False)
    assert set(told) == {"pins"}
    assert "keeps pin 13" in told["pins"]
    assert "dtparam=strict_gpiod" in told["pins"]


def test_a_32_bit_system_is_told(board: Path) -> None:
    assert "install the 64-bit system" in faults(PinMap(), {}, board, narrow=True)["system"]


def test_a_sensor_that_is_not_there_is_told_with_those_that_are(board: Path) -> None:
    wanted = {"air_c": sensor(board, "28-0a"), "fluid_supply_c": sensor(board, "28-ff")}
    told = faults(PinMap(), wanted, board, narrow=False)["thermometers"]
    assert "fluid_supply_c" in told
    assert "air_c" not in told
    assert "sensors without a name are 28-0b." in told
    wanted["fluid_drained_c"] = sensor(board, "28-0b")
    assert "Check its cable" in faults(PinMap(), wanted, board, narrow=False)["thermometers"]


def test_sensors_that_nobody_reads_are_told(board: Path) -> None:
    assert "28-0a, 28-0b: plugged in" in faults(PinMap(), {}, board, narrow=False)["thermometers"]
    assert "thermometers" not in faults(PinMap(), {"air_c": sensor(board, "28-0a")}, board, narrow=False)


def test_a_kernel_without_the_bus_is_told_by_its_overlay(board: Path) -> None:
    sensor(board, "w1_bus_master1").rmdir()
    told = faults(PinMap(one_wire=18), {"air_c": sensor(board, "28-ff")}, board, narrow=False)["thermometers"]
    assert "Add dtoverlay=w1-gpio,gpiopin=18 to config.txt" in told


def test_the_doctor_tells_it_of_a_pi_and_not_of_a_simulated_bay(board: Path) -> None:
    config = replace(read_config(demo_path()), thermometers={"air_c": sensor(board, "28-ff")})
    (found,) = doctor.computer(config, simulated=False)
    assert (found.what, found.ok) == ("thermometers", False)
    assert doctor.computer(config, simulated=True) == []


def test_lgpio_finds_a_folder_where_the_working_one_may_not_be_written(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("LG_WD", "/run/tallypan")
    give_lgpio_a_folder()
    assert os.environ["LG_WD"] == "/run/tallypan"
    monkeypatch.delenv("LG_WD")
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    config = replace(read_config(demo_path()), thermometers={})
    doctor.converter(config, simulated=False)
    folder = Path(os.environ["LG_WD"])
    assert folder.parent == tmp_path
    assert os.access(folder, os.W_OK)
