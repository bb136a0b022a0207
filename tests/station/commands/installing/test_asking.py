"""What a bay is asked at its installation, and the file and the boot lines that come of the answers."""

import io
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from hardware.pins import PinMap
from hardware.serial_port import SerialPort
from station.__main__ import main
from station.commands.installing import bay_file, boot, doing, places
from station.commands.installing.system import at
from station.errors import InputError
from station.given.config import BayConfig, read_config


@pytest.mark.parametrize(
    ("text", "missing"),
    [
        ("", True), ("dtparam=strict_gpiod\n", False), ("#dtparam=strict_gpiod\n", True), ("[pi5]\ndtparam=strict_gpiod\n", True),
        ("[pi5]\n[all]\ndtparam=strict_gpiod # why\n", False),
    ],
)  # fmt: skip
def test_a_boot_file_is_read_as_every_pi_reads_it(text: str, missing: bool) -> None:
    assert bool(boot.missing(text, ["dtparam=strict_gpiod"])) == missing
    whole = boot.with_ours(text, {"dtparam=strict_gpiod": "why"})
    assert boot.missing(whole, ["dtparam=strict_gpiod"]) == []
    assert boot.with_ours(whole, {"dtparam=strict_gpiod": "why"}) == whole
    assert boot.without_ours(whole) == text


def test_what_a_bay_has_decides_what_the_boot_file_says() -> None:
    assert list(boot.wanted(PinMap(pump_cutoff=26), "auto", one_wire=False)) == [
        "dtparam=strict_gpiod",
        "gpio=22,26=op,dl",
    ]
    lines = boot.wanted(PinMap(pan_dout=9, pan_sck=10), "spi", one_wire=True)
    assert {"dtparam=spi=on", "dtoverlay=w1-gpio,gpiopin=4"} <= set(lines)
    assert "dtoverlay=spi1-1cs" in boot.wanted(PinMap(pan_dout=19, pan_sck=20), "spi", one_wire=False)


def answering(given: dict[str, list[str]]) -> Callable[[str, str], str]:
    """Somebody who answers what is listed, and else takes what is offered."""

    def ask(question: str, default: str) -> str:
        for part, answers in given.items():
            if part in question and answers:
                return answers.pop(0)
        return default

    return ask


def test_answers_become_a_file_that_the_station_takes(tmp_path: Path) -> None:
    said: list[str] = []
    ask = answering({
        "called": ["Bay 2 \"north\""], "pint": ["imperial"], "kg": ["heavy", "900", "40"], "per V": ["1"],
        "pulses": ["0.4", "402.5"], "wired": ["no"], "Pin of pump?": ["5", "13"], "is in the fluid in the pan": ["1"], "phones": ["yes"],
    })  # fmt: skip
    answers = bay_file.asked(ask, "Bay-1", ["/sys/bus/w1/devices/28-0123456789ab"], said.append)
    file = tmp_path / "bay.toml"
    file.write_text(bay_file.text_of(answers), encoding="utf-8")
    config = read_config(file)
    assert (config.name, config.country, config.pins.pump) == ('Bay 2 "north"', "imperial", 13)
    assert config.pan.kg_per_count == pytest.approx(40 / (1e-3 * 128 * 2**24), rel=1e-3)
    assert (config.pan.u_rel, config.meter.k_factor_per_l) == (0.03, 402.5)
    assert (config.serve.host, config.serve.port, config.serve.names) == ("0.0.0.0", 8765, ("bay-1.local",))
    assert str(config.thermometers["fluid_drained_c"]) == "/sys/bus/w1/devices/28-0123456789ab"
    told = "\n".join(said)
    assert "'heavy' is not usable here; expected a number from 1 to 500" in told
    assert "pin 5 is given to both" in told


def answered(given: dict[str, list[str]], folder: Path) -> tuple[BayConfig, list[str]]:
    """What a bay's file says that came of these answers, and what was asked for it."""
    asked: list[str] = []
    answer = answering(given)

    def ask(question: str, default: str) -> str:
        asked.append(question)
        return answer(question, default)

    file = folder / "bay.toml"
    file.write_text(bay_file.text_of(bay_file.asked(ask, "bay-1", [], lambda text: None)), encoding="utf-8")
    return read_config(file), asked


@pytest.mark.parametrize(
    ("given", "line"),
    [
        ({"come in": ["serial"], "port": ["/dev/ttyACM0"]}, SerialPort("/dev/ttyACM0")),
        ({"come in": ["modbus"], "address": ["300", "7"]}, ("/dev/ttyUSB0", 7, "u32")),
    ],
)
def test_a_meter_on_a_line_is_asked_for_its_counts_and_not_for_pulses(
    given: dict[str, list[str]], line: object, tmp_path: Path
) -> None:
    config, asked = answered({**given, "counts per litre": ["1000"]}, tmp_path)
    found = config.modbus.meter
    assert line == (config.serial.meter if found is None else (found.port, found.address, found.form))
    assert config.meter.k_factor_per_l == 1000.0
    assert not any("pulses" in question for question in asked)


@pytest.mark.parametrize(
    ("given", "kind", "port", "kg_per_count"),
    [
        ({"pan weighed": ["serial"], "form": ["a guess", "status_kg"], "division": ["5", "2"]}, "serial", "/dev/ttyUSB0", 0.002),
        ({"come in": ["serial"], "pan weighed": ["serial"], "division": ["1"]}, "serial", "/dev/ttyUSB1", 0.001),
        ({"come in": ["modbus"], "pan weighed": ["modbus"], "division": ["1"]}, "modbus", "/dev/ttyUSB0", 0.001),
    ],
)  # fmt: skip
def test_a_pan_that_is_a_scale_is_asked_for_its_line_and_not_for_cells(
    given: dict[str, list[str]], kind: str, port: str, kg_per_count: float, tmp_path: Path
) -> None:
    config, asked = answered({**given, "per litre": ["402.5"]}, tmp_path)
    scale = config.serial.pan if kind == "serial" else config.modbus.pan
    assert scale is not None
    assert (scale.port, scale.resolution_g) == (port, 1000.0 * kg_per_count)
    assert (config.pan.kg_per_count, config.pan.u_rel) == (kg_per_count, 0.005)
    assert config.pan.u_indication_kg == pytest.approx(kg_per_count / 12**0.5, rel=0.01)
    assert not any("load cells bear" in question or "mV" in question for question in asked)
    assert asked.index(next(one for one in asked if "How is the pan weighed" in one)) < 4


def test_every_fault_of_a_plan_of_pins_is_told_at_once() -> None:
    with pytest.raises(InputError) as told:
        bay_file.said("[pins]\npump = 3\nmeter = 99\npan_dout = 17\npendant = 17\n", "the bay's file")
    for fault in ("pin of pump is 3", "pin of meter is 99", "pin 17 is given to both"):
        assert fault in str(told.value)


def test_thermometers_are_named_once_the_kernel_reads_them(
    root: Path, run: list[list[str]], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A fresh system has no 1-Wire bus: the first installation switches it on, the next one finds who is on it."""
    bus = at(root, Path("/sys/bus/w1/devices"))
    sensor = bus / "28-0123456789ab"
    sensor.rmdir()
    given = {"pulses": ["402.5"], "owner": ["E. Brandvold"], "Do this": ["yes", "yes"], "in the air": ["1"]}
    monkeypatch.setattr(doing, "_ask", answering(given))
    assert main(["install", "--root", str(root)]) == 0
    assert "dtoverlay=w1-gpio,gpiopin=4" in (root / "boot/firmware/config.txt").read_text()
    said = capsys.readouterr().out
    assert "install again" in said
    number = int(re.findall(r"with the code that step (\d+) prints", said)[0])
    assert f"{number} of 14: enter E. Brandvold as the owner" in said
    sensor.mkdir()
    assert main(["install", "--root", str(root)]) == 0
    file = at(root, places.BAY_FILE)
    assert read_config(file).thermometers == {"air_c": Path("/sys/bus/w1/devices/28-0123456789ab")}
    assert file.with_name("bay.toml.before").exists()


def test_without_thermometers_the_bus_stays_off(tmp_path: Path) -> None:
    answers = bay_file.asked(
        answering({"pulses": ["402.5"], "1-Wire": ["no"]}), "bay-1", [], lambda text: None
    )
    assert not bay_file.said(bay_file.text_of(answers), "the bay's file").one_wire


def test_nobody_to_answer_is_told(
    root: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO())
    assert main(["install", "--root", str(root)]) == 2
    assert "name the bay's file with --from" in capsys.readouterr().err
    assert not (root / "etc/tallypan").exists()
