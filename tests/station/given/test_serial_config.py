"""The tables [serial.meter] and [serial.pan]: what they give, what is refused, and what the doctor says of them."""

import os
import threading
import tomllib
import tty
from pathlib import Path
from typing import Any

import pytest

from hardware.modbus import Registers
from hardware.serial_devices import SerialPlan, SerialScale, meter_line
from hardware.serial_port import SerialPort
from station import __main__
from station.bay import doctor
from station.errors import InputError
from station.given.config import config_from_tables, demo_path, read_config

METER = """
[serial.meter]
port = "/dev/serial/by-id/usb-counter"
"""
PAN = """
[serial.pan]
port = "/dev/serial/by-id/usb-scale"
baud = 4800
frame = "7E1"
pattern = 'W *([+-]? *[0-9]+\\.[0-9]) *g'
unit = "g"
resolution_g = 0.1
"""

SLOPE = "kg_per_count = 4.761e-6"
DEMO = demo_path().read_text(encoding="utf-8").replace(SLOPE, "kg_per_count = 1e-4")
"""The demo's bay as it is with a scale that counts tenths of a gram."""


def tables(more: str) -> dict[str, Any]:
    return tomllib.loads((DEMO if "[serial.pan]" in more else demo_path().read_text(encoding="utf-8")) + more)


def test_serial_lines_are_read_from_the_bays_file() -> None:
    assert read_config(demo_path()).serial == SerialPlan()
    serial = config_from_tables(tables(METER + PAN), "bay.toml").serial
    assert serial.meter == SerialPort("/dev/serial/by-id/usb-counter", 9600, "8N1")
    assert serial.pan == SerialScale(
        "/dev/serial/by-id/usb-scale",
        4800,
        "7E1",
        pattern=r"W *([+-]? *[0-9]+\.[0-9]) *g",
        unit="g",
        resolution_g=0.1,
    )


def test_a_named_format_is_written_out_and_the_bays_own_word_goes_before(tmp_path: Path) -> None:
    own = tmp_path / "formats.toml"
    own.write_text(
        '[line.shop]\npattern = "N(.*)"\nunit = "kg"\nask = "?"\n[registers.shop]\nregister = 8\nform = "u16"\n'
    )
    more = """
[serial.container]
port = "/dev/serial/by-id/usb-floor"
format = "shop"
unit = "lb"
resolution_g = 50
[modbus.meter]
port = "/dev/serial/by-id/usb-line"
address = 7
format = "shop"
"""
    given = tables(more)
    given["bay"]["formats"] = str(own)
    config = config_from_tables(given, "bay.toml")
    container = config.serial.container
    assert container is not None
    assert (container.pattern, container.unit, container.ask) == ("N(.*)", "lb", "?")
    assert config.modbus.meter == Registers("/dev/serial/by-id/usb-line", address=7, register=8, form="u16")


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("[serial.meter]", "[serial.meters]", r"\[serial\] has the unknown table 'meters'.*write meter"),
        ('port = "/dev/serial/by-id/usb-c', 'speed = 3\nport = "/', r"\[serial.meter\] has the unknown key 'speed'"),
        ('port = "/dev/serial/by-id/usb-counter"', "", r"\[serial.meter\] port is missing"),
        ('"/dev/serial/by-id/usb-counter"', "7", r"\[serial.meter\] port is 7; expected text"),
        ("by-id/usb-counter", "by-id/usb-scale", "given to both meter and pan"),
        ("baud = 4800", "baud = 4801", "pan: baud = 4801; expected one of: 300, 600"),
        ("baud = 4800", 'baud = "4800"', r"\[serial.pan\] baud is '4800'; expected a whole number"),
        ("baud = 4800", "baud = 50", "pan: baud = 50; expected one of"),
        ('frame = "7E1"', 'frame = "9N1"', "pan: frame = '9N1'; expected one of: 8N1"),
        ("*g'", "*g('", "pan: pattern = .*expected a regular expression"),
        ("([+-]? *[0-9]+\\.[0-9])", "[0-9]+", "pan: pattern = .* has 0 groups; expected one"),
        ("*g'", "*(k?)g'", "pan: pattern = .* has 2 groups; expected one"),
        ("pattern = 'W", "pattern = 3 # 'W", r"\[serial.pan\] pattern is 3; expected text"),
        ('unit = "g"', 'unit = "st"', "pan: unit = 'st'; expected one of: g, kg"),
        ('unit = "g"', "", r"\[serial.pan\] unit is missing"),
        ("resolution_g = 0.1", "resolution_g = 0", "pan: resolution_g = 0.0; expected grams per count, above 0"),
        ("resolution_g = 0.1", "resolution_g = nan", r"\[serial.pan\] resolution_g is nan; expected a number"),
    ],
)  # fmt: skip
def test_what_a_serial_line_cannot_be_is_refused(old: str, new: str, said: str) -> None:
    text = METER + PAN
    assert text.count(old) == 1
    with pytest.raises(InputError, match=said) as caught:
        config_from_tables(tables(text.replace(old, new)), "bay.toml")
    assert str(caught.value).startswith("bay.toml: [serial")


def test_serial_has_to_be_tables() -> None:
    for value in (3, {"meter": "/dev/ttyUSB0"}):
        with pytest.raises(InputError, match="expected a table"):
            config_from_tables({**tables(""), "serial": value}, "bay.toml")


def test_the_doctor_names_a_serial_port_and_what_it_reads(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(doctor, "LISTEN_S", 1.0)
    far, near = os.openpty()
    tty.setraw(near)
    name = os.ttyname(near)
    bay = tmp_path / "bay.toml"
    demo = DEMO.replace("var/demo-ledger", f"{tmp_path}/ledger")
    meter = METER.replace("/dev/serial/by-id/usb-counter", name)
    bay.write_text(demo + meter + PAN, encoding="utf-8")
    over = threading.Event()

    def count() -> None:
        while not over.wait(0.05):
            os.write(far, (meter_line(41) + "\r\n").encode())

    counter = threading.Thread(target=count)
    counter.start()
    try:
        status = __main__.main(["doctor", "--simulated", "--config", str(bay)])
    finally:
        over.set()
        counter.join()
        os.close(far)
        os.close(near)
    said = capsys.readouterr().out
    assert status == __main__.FAILED
    assert f"ok    meter port: {name} at 9600 baud" in said
    assert "ok    meter: reads 41" in said
    assert "FAIL  pan port: /dev/serial/by-id/usb-scale does not exist; found" in said
    assert "FAIL  pan: unplugged" in said


def test_the_doctor_proposes_the_name_that_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "ttyUSB0").touch()
    (tmp_path / "usb-counter").symlink_to(tmp_path / "ttyUSB0")
    monkeypatch.setattr(doctor, "named_ports", lambda: [str(tmp_path / "usb-counter")])

    def found(port: str) -> doctor.Finding:
        config = config_from_tables(
            tables(METER.replace("/dev/serial/by-id/usb-counter", str(tmp_path / port))), "bay.toml"
        )
        return doctor._ports(config)[0]

    assert found("ttyUSB0").ok
    assert found("ttyUSB0").text.endswith(f"safer: {tmp_path}/usb-counter")
    assert found("usb-counter").text == f"{tmp_path}/usb-counter at 9600 baud, 8N1"
