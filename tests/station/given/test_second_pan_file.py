"""A second pan in a bay's file: what it gives, what is refused, and that a bay without one is as before."""

import tomllib
from typing import Any

import pytest

from hardware.pins import PinMap
from station.bay import commissioning, doctor
from station.errors import InputError
from station.given.config import BayConfig, config_from_tables, demo_path

DEMO = demo_path().read_text(encoding="utf-8")
LINE = """
[pan_b]
zero_count = 61840
kg_per_count = 2.381e-6
u_rel = 0.0006
noise_counts = 30
"""
PINS = ("one_wire = 4\n", "one_wire = 4\npan_b_dout = 20\npan_b_sck = 26\n")
SERIAL = """
[serial.pan_b]
port = "/dev/serial/by-id/usb-small-scale"
pattern = '(-?[0-9.]+) g'
unit = "g"
resolution_g = 0.1
"""
MODBUS = """
[modbus.pan_b]
port = "/dev/serial/by-id/usb-bus"
address = 3
register = 0
form = "i32"
unit = "g"
resolution_g = 0.1
"""
TENTHS = LINE.replace("2.381e-6", "1e-4")


def bay(more: str = LINE, pins: str | None = PINS[1]) -> BayConfig:
    text = DEMO if pins is None else DEMO.replace(PINS[0], pins)
    return config_from_tables(tomllib.loads(text + more), "bay.toml")


@pytest.mark.parametrize(
    "config", [bay, lambda: bay(TENTHS + SERIAL, None), lambda: bay(TENTHS + MODBUS, None)]
)
def test_a_second_pan_is_read_touched_and_told(config: Any) -> None:
    found = config()
    assert found.pan_b is not None
    assert found.pan_b.zero_count == 61840
    assert "pan_b" in commissioning.wired(found, simulated=False)
    told = {one.what: one.text for one in doctor.examine_file(found, simulated=True)}
    assert "per count from 61840" in told["pan_b calibration"]


def test_a_bay_without_one_has_none() -> None:
    found = bay("", None)
    assert found.pan_b is None
    assert found.pins.of_second() is None
    assert "pan_b" not in commissioning.wired(found, simulated=True)
    assert not any("pan_b" in one.what for one in doctor.examine_file(found, simulated=True))


def test_the_second_pans_pins_are_the_first_ones_of_its_own_plan() -> None:
    plan = PinMap(pan_b_dout=20, pan_b_sck=26)
    second = plan.of_second()
    assert second is not None
    assert (second.pan_dout, second.pan_sck) == (20, 26)
    assert second.used().keys() == plan.used().keys()
    assert second.of_second() == plan


WRONG: dict[str, tuple[str, str | None, str]] = {
    # name: (tables beside the demo's, its pins' last line, what is told)
    "no wire": (LINE, None, r"\[pan_b\] has no wire; expected pan_b_dout and pan_b_sck in \[pins\], or \[serial.pan_b\]"),
    "no line": ("", PINS[1], r"\[pins\] tells of a second pan, and \[pan_b\] is missing; write its line there"),
    "a scale and no line": (SERIAL, None, r"\[serial.pan_b\] tells of a second pan, and \[pan_b\] is missing"),
    "a converter and no line": ("[pan_b_converter]\nrate = 80\n", None, r"\[pan_b_converter\] tells of a second pan"),
    "two wires": (TENTHS + SERIAL, PINS[1], r"\[serial.pan_b\] and \[pins\] both read the second pan; take one"),
    "one device twice": (TENTHS + SERIAL + MODBUS, None, r"\[serial.pan_b\] and \[modbus.pan_b\] are one device twice"),
    "the first pan's pins": (LINE, "one_wire = 4\npan_b_dout = 5\npan_b_sck = 26\n", r"pin 5 is given to both pan_dout and pan_b_dout"),
    "one pin alone": (LINE, "one_wire = 4\npan_b_sck = 26\n", r"pin of pan_b_dout is missing beside pan_b_sck"),
    "the first pan's port": (
        TENTHS + SERIAL + SERIAL.replace("pan_b", "container"), None,
        r"port /dev/serial/by-id/usb-small-scale is given to both container and pan_b",
    ),
    "slope in grams": (LINE.replace("2.381e-6", "2.381e-3"), PINS[1], r"\[pan_b\] kg_per_count is 0.002381.*kilograms per count"),
    "slope of another scale": (LINE + SERIAL, None, r"\[pan_b\] kg_per_count is 2.381e-06.*expected about 0.0001"),
    "slope negative": (LINE.replace("2.381e-6", "-2.381e-6"), PINS[1], r"\[pan_b\] kg_per_count is -2.381e-06"),
    "unknown key": (LINE + "capacity = 3\n", PINS[1], r"\[pan_b\] has the unknown key 'capacity'"),
    "the kernel's reader": (LINE + '[pan_b_converter]\nreader = "iio"\n', PINS[1], r"\[pan_b_converter\] reader is 'iio'.*first pan alone"),
    "spi on other pins": (LINE + '[pan_b_converter]\nreader = "spi"\n', PINS[1], r"\[pan_b_converter\] reader is 'spi'.*pan_b_dout ="),
    "a converter and a scale": (
        TENTHS + SERIAL + "[pan_b_converter]\nrate = 80\n", None,
        r"\[pan_b_converter\] is for load cells on pins, and \[serial.pan_b\] takes their place",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", WRONG)
def test_a_second_pan_that_cannot_be_is_refused_with_key_and_remedy(name: str) -> None:
    more, pins, told = WRONG[name]
    with pytest.raises(InputError, match=told):
        bay(more, pins)
