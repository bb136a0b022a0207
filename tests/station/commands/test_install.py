"""The station onto a Pi and off it: the plan in sentences, and what it leaves in a folder that stands for the Pi's root.

Programs that fetch or need the system's own rights are noted instead of run; the emulated board runs them.
"""

import io
import json
import os
import re
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest

from hardware.pins import PinMap
from hardware.serial_port import SerialPort
from hardware.unit import mismatch
from station.__main__ import main
from station.bay import identity
from station.commands.installing import bay_file, boot, doing, places, plan, shell
from station.commands.installing.system import System, at, look
from station.errors import InputError, StationError
from station.given.config import BayConfig, demo_path, read_config

HOUSE = Path(__file__).parents[3]
ELF = {
    "aarch64": b"\x7fELF\x02\x01\x01" + bytes(11) + b"\xb7\x00",
    "armv7l": b"\x7fELF\x01\x01\x01" + bytes(11) + b"\x28\x00",
}
HERE = f"{sys.version_info[0]}.{sys.version_info[1]}"
FIRST_START = "etc/systemd/system/tallypan.service.d/first-start.conf"
CONFIG_TXT = "dtparam=audio=on\n[pi4]\ngpio=22=op,dl\n"


def pi(root: Path, python: str = "3.11", machine: str = "aarch64") -> Path:
    """A folder with as much of a Pi's system as an installation looks at."""
    for folder in (
        "usr/bin",
        "usr/lib/systemd/system",
        "etc",
        "boot/firmware",
        "sys/bus/w1/devices/28-0123456789ab",
    ):
        (root / folder).mkdir(parents=True)
    (root / f"usr/bin/python{python}").write_bytes(ELF[machine])
    (root / "usr/bin/python3").symlink_to(f"python{python}")
    (root / "etc/os-release").write_text('PRETTY_NAME="Some system 12"\n')
    (root / "etc/hostname").write_text("Bay-1\n")
    (root / "etc/passwd").write_text("root:x:0:0:root:/root:/bin/sh\n")
    (root / "etc/group").write_text("root:x:0:\ngpio:x:986:\n")
    (root / "boot/firmware/config.txt").write_text(CONFIG_TXT)
    return root  # fmt: skip


def with_lgpio(system: Path) -> None:
    (system / "usr/lib/python3/dist-packages").mkdir(parents=True)
    (system / "usr/lib/python3/dist-packages/lgpio.py").touch()


@pytest.fixture
def root(tmp_path: Path) -> Path:
    return pi(tmp_path / "pi")


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    """What would have been run. Accounts, certificate and people are the real ones."""
    noted: list[list[str]] = []

    def note(words: Sequence[str]) -> None:
        noted.append(list(words))
        if words[0] == "systemd-sysusers" and os.geteuid() != 0:
            passwd = Path(words[1].removeprefix("--root=")) / "etc/passwd"
            passwd.write_text(passwd.read_text() + "tallypan:x:996:996::/var/lib/tallypan:/bin/false\n")
        elif words[0] == "systemd-sysusers":
            subprocess.run(words, check=True, capture_output=True)
        elif words[3:4] in (["certificate"], ["people"]):
            assert main(words[3:]) == 0

    monkeypatch.setattr(shell.Shell.__init__, "__defaults__", (note,))
    monkeypatch.setattr(doing, "run_it", note)
    monkeypatch.setattr(shell, "TRY_AGAIN_S", 0.0)
    monkeypatch.setattr(shell, "PARTS", ("hardware",))  # that all of them are copied is one test's subject
    return noted


def bay(folder: Path, *, open_to_all: bool = True) -> Path:
    """A bay's file as installation writes it."""
    answers = bay_file.Answers(k_factor_per_l=402.5, names=("bay-1.local",) if open_to_all else ())
    file = folder / "bay.toml"
    file.write_text(bay_file.text_of(answers), encoding="utf-8")
    return file


def set_up(root: Path, *more: str) -> int:
    file = bay(root.parent)
    return main(
        ["install", "--root", str(root), "--from", str(file), "--owner", "E. Brandvold", "--yes", *more]
    )


def tree(root: Path) -> dict[str, bytes | str]:
    return {
        str(one.relative_to(root)): os.readlink(one) if one.is_symlink() else one.read_bytes()
        for one in sorted(root.rglob("*"))
        if one.is_symlink() or one.is_file()
    }


def test_what_would_be_done_is_told_and_nothing_is(
    root: Path, run: list[list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    before = tree(root)
    assert set_up(root, "--dry-run") == 0
    assert tree(root) == before
    assert run == []
    told = capsys.readouterr().out
    for words in (
        "make the user tallypan, who signs in nowhere, in the groups gpio, dialout, spi",
        "write /etc/tallypan/bay.toml: what this bay is",
        "enter E. Brandvold as the owner",
        "adds dtparam=strict_gpiod (without it the kernel leaves the pump's pin as it is when its guard is killed",
        "https://bay-1.local:8765/. It needs this one TCP port",
    ):
        assert words in told  # fmt: skip


def test_a_pi_has_the_station_after_it(root: Path, run: list[list[str]]) -> None:
    assert set_up(root) == 0
    release = root / "opt/tallypan/releases/0001-0.1.0"
    assert (root / "opt/tallypan/current").resolve() == release
    assert (release / "lib/python3.11/site-packages/hardware/guard.py").is_file()
    assert (
        (release / "bin/tallypan").read_text().startswith("#!/opt/tallypan/releases/0001-0.1.0/bin/python\n")
    )
    pip = next(words for words in run if "pip" in words)
    assert {
        "--require-hashes",
        "--only-binary=:all:",
        "--platform=manylinux_2_28_aarch64",
        "--python-version=3.11",
    } <= set(pip)
    unit = root / "etc/systemd/system/tallypan.service"
    assert mismatch(PinMap(), unit) is None
    assert (
        "ExecStart=/opt/tallypan/current/bin/tallypan serve --config /etc/tallypan/bay.toml"
        in unit.read_text()
    )
    assert (
        "/opt/tallypan/current/lib/python3.11/site-packages/hardware/guard.py --pin 22 --off"
        in unit.read_text()
    )
    assert run[-1] == ["systemctl", f"--root={root}", "enable", "tallypan.service"]
    text = (root / "boot/firmware/config.txt").read_text()
    assert text.startswith(CONFIG_TXT)
    assert "[all]\n" in text
    assert (root / "boot/firmware/config.txt.before-tallypan").read_text() == CONFIG_TXT
    modes = {"etc/tallypan/bay.toml": 0o644, "var/lib/tallypan": 0o700, "usr/local/bin/tallypan": 0o755,
             "var/lib/tallypan/bay-1.local.key": 0o600}  # fmt: skip
    assert {name: (root / name).stat().st_mode & 0o7777 for name in modes} == modes
    if os.geteuid() == 0:
        [row] = [row for row in (root / "etc/passwd").read_text().splitlines() if row.startswith("tallypan:")]
        for name in ("var/lib/tallypan", "var/lib/tallypan/bay-1.local.key", "var/lib/tallypan/people.json"):
            assert (root / name).stat().st_uid == int(row.split(":")[2]), name
        assert "gpio:x:986:tallypan" in (root / "etc/group").read_text()


def test_installing_again_keeps_people_certificate_and_bay(root: Path, run: list[list[str]]) -> None:
    set_up(root)
    state = {
        name: content for name, content in tree(root).items() if name.startswith(("var/lib", "etc/tallypan"))
    }
    run.clear()
    assert main(["install", "--root", str(root), "--yes"]) == 0
    assert {name: content for name, content in tree(root).items() if name in state} == state
    assert not [words for words in run if "people" in words or "certificate" in words]
    assert (root / "opt/tallypan/current").resolve().name == "0002-0.1.0"
    text = (root / "boot/firmware/config.txt").read_text()
    assert text.count("dtparam=strict_gpiod") == 1


def test_the_record_outlives_the_station(
    root: Path, run: list[list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    set_up(root)
    (root / "var/lib/tallypan/ledger.sqlite").write_bytes(b"jobs")
    kept = {
        name: content for name, content in tree(root).items() if name.startswith(("var/lib", "etc/tallypan"))
    }
    assert main(["uninstall", "--root", str(root), "--yes"]) == 0
    left = tree(root)
    assert kept.items() <= left.items()
    assert not [name for name in left if name.startswith(("opt", "usr/local", "etc/systemd/system/tallypan"))]
    assert (root / "boot/firmware/config.txt").read_text() == CONFIG_TXT
    assert "The record stays in /var/lib/tallypan" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("python", "machine", "said"),
    [("3.11", "armv7l", "32 bits wide"), ("3.9", "aarch64", "expected 3.11 or newer"), ("3.13", "aarch64", "lacks python3-lgpio")],
)  # fmt: skip
def test_a_system_that_cannot_hold_it_is_told(
    python: str, machine: str, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    system = pi(tmp_path / "other", python, machine)
    assert set_up(system) == 2
    assert said in capsys.readouterr().err
    assert not (system / "opt").exists()


def test_a_newer_python_takes_the_gpio_library_from_the_system(tmp_path: Path, run: list[list[str]]) -> None:
    system = pi(tmp_path / "newer", "3.13")
    with_lgpio(system)
    assert set_up(system) == 0
    release = system / "opt/tallypan/releases/0001-0.1.0"
    assert "include-system-site-packages = true" in (release / "pyvenv.cfg").read_text()
    lock, needs = (HOUSE / "requirements.lock").read_text(), (release / "requirements.txt").read_text()
    names = [re.findall(r"^([\w.-]+)==", text, re.M) for text in (lock, needs)]
    assert [name for name in dict.fromkeys(names[0]) if name != "lgpio"] == names[1]
    assert "rpi-lgpio" in names[1]


@pytest.mark.parametrize(
    ("python", "kept", "left"), [((3, 11), "<", ">="), ((3, 12), ">=", "<"), ((3, 13), ">=", "<")]
)
def test_a_card_takes_what_its_own_python_wants(python: tuple[int, int], kept: str, left: str) -> None:
    """pip goes by the one that it runs on: a newer machine found no numpy for a card of Bookworm."""
    lock = (HOUSE / "requirements.lock").read_text()
    needs = plan.requirements(lock, (), python)
    split = {
        sign: re.findall(rf"^(\S+) ; python_full_version {sign} '3.12'", lock, re.M) for sign in (kept, left)
    }
    assert split[kept]
    assert [f"\n{line} \\\n    --hash=" in needs for line in split[kept]] == [True] * len(split[kept])
    assert not [line for line in split[left] if line in needs]
    assert "python_full_version" not in needs


def test_a_prepared_card_is_compiled_here_where_the_python_is_the_same(
    tmp_path: Path, run: list[list[str]]
) -> None:
    system = pi(tmp_path / "same", HERE)
    with_lgpio(system)
    assert set_up(system) == 0
    site = system / f"opt/tallypan/releases/0001-0.1.0/lib/python{HERE}/site-packages"
    assert [sys.executable, "-m", "compileall", "-q", "-s", str(system), str(site)] in run
    made = [words for words in run if "web.frame.compiled" in words]
    assert made == [["env", f"PYTHONPATH={site}", sys.executable, "-m", "web.frame.compiled", f"{site}/web/templates/__pycache__"]]  # fmt: skip
    assert not (system / FIRST_START).exists()


def test_a_prepared_card_is_compiled_at_its_first_start_where_it_is_not(
    tmp_path: Path, run: list[list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    other = "3.12" if HERE != "3.12" else "3.11"
    system = pi(tmp_path / "other", other)
    assert set_up(system) == 0
    assert f"That system has Python {other}, this machine {HERE}" in capsys.readouterr().out
    assert not [words for words in run if "compileall" in words or "web.frame.compiled" in words]
    text = (system / FIRST_START).read_text()
    (line,) = re.findall(r"^ExecStartPre=-\+/bin/sh -c '(.*)'$", text, re.M)
    # The same line where nothing of it can be compiled, twice: it takes itself away, and is done.
    trial = line.replace("/etc/", f"{system}/etc/").replace("/opt/tallypan/current/bin/python", "echo")
    said = [subprocess.run(["sh", "-c", trial], capture_output=True, text=True).stdout for _ in range(2)]
    assert said == ["-m compileall -q /opt/tallypan/current/lib\n-m web.frame.compiled\n", ""]
    assert not (system / FIRST_START).exists()


def test_pages_for_others_want_an_owner_and_a_certificate(
    root: Path, run: list[list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    file = bay(root.parent)
    assert main(["install", "--root", str(root), "--from", str(file), "--yes"]) == 2
    assert "name the owner with --owner" in capsys.readouterr().err
    file.write_text(re.sub(r"^(certificate|key) =.*\n", "", file.read_text(), flags=re.M))
    assert main(["install", "--root", str(root), "--from", str(file), "--owner", "X", "--yes"]) == 2
    assert "only served under TLS" in capsys.readouterr().err
    file.write_text(file.read_text().replace('host = "0.0.0.0"', ""))
    assert main(["install", "--root", str(root), "--from", str(file), "--yes"]) == 2  # a proxy lets others in
    assert run == []


def test_the_service_may_write_the_record_and_its_copies_and_nothing_else(
    root: Path, run: list[list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    file = bay(root.parent, open_to_all=False)
    text = file.read_text()
    file.write_text(text.replace("/var/lib/tallypan/ledger", "/srv/ledger"))
    assert main(["install", "--root", str(root), "--from", str(file), "--yes"]) == 2
    assert "write '/var/lib/tallypan/ledger.sqlite'" in capsys.readouterr().err
    file.write_text(text + '[record]\nbackup = "/media/copies"\n')
    assert main(["install", "--root", str(root), "--from", str(file), "--yes"]) == 0
    assert "ReadWritePaths=-/media/copies\n" in (root / "etc/systemd/system/tallypan.service").read_text()
    assert "has to be the user tallypan's" in capsys.readouterr().out


def test_it_needs_no_more_than_pythons_own_library(root: Path) -> None:
    code = f"import sys; sys.path.insert(0, {str(HOUSE)!r}); from station.__main__ import main; sys.exit(main(sys.argv[1:]))"
    words = ["install", "--root", str(root), "--from", str(bay(root.parent, open_to_all=False)), "--dry-run"]
    done = subprocess.run([sys.executable, "-I", "-S", "-c", code, *words], capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")


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


# On the machine itself: what runs, and whether it is well.


class Pi:
    """A running Pi: what its station says of itself, by the release that the link stands for."""

    def __init__(self, root: Path, run: list[list[str]], monkeypatch: pytest.MonkeyPatch) -> None:
        self.root, self.run = root, run
        self.well: dict[str, dict[str, bool] | None] = {}
        self.job_open = False
        monkeypatch.setattr(doing, "look", self.look)
        monkeypatch.setattr(os, "geteuid", lambda: 1000)  # owners are the other tests' subject
        for module in (doing, shell):
            monkeypatch.setattr(
                module, "checks", lambda _: self.well.get(self.release, {"engine": True, "guard": True})
            )
        monkeypatch.setattr(doing, "job_is_open", lambda _: self.job_open)

    def look(self, root: Path) -> System:
        return replace(look(self.root), native=True)

    @property
    def release(self) -> str:
        return os.readlink(self.root / "opt/tallypan/current").split("/")[-1]


@pytest.fixture
def running(root: Path, run: list[list[str]], monkeypatch: pytest.MonkeyPatch) -> Pi:
    set_up(root)
    running = Pi(root, run, monkeypatch)
    run.clear()
    return running


def update(running: Pi, *more: str) -> int:
    return main(["update", "--root", str(running.root), "--yes", *more])


def test_a_new_version_stands_beside_the_old_and_the_way_back_is_one_command(running: Pi) -> None:
    first = running.release
    assert update(running) == 0
    second = running.release
    assert second != first
    assert ["systemctl", "restart", "tallypan.service"] in running.run
    assert update(running, "--back") == 0
    assert running.release == first
    assert update(running, "--back") == 0
    assert running.release == second
    assert update(running) == 0
    assert {one.name for one in (running.root / "opt/tallypan/releases").iterdir()} == {
        second,
        running.release,
    }


def test_apt_brings_what_a_sheets_pdf_needs_and_without_a_network_it_is_told(
    capsys: pytest.CaptureFixture[str], running: Pi
) -> None:
    both = ["apt-get", "install", "-y", "libpango-1.0-0", "libpangoft2-1.0-0"]
    assert (
        "needs Debian's libpango-1.0-0 and libpangoft2-1.0-0" in capsys.readouterr().out
    )  # into a card's image
    assert update(running) == 0
    assert both in running.run
    assert "libpangoft2-1.0-0, with which a sheet becomes a PDF" in capsys.readouterr().out
    running.run.clear()
    assert update(running, "--dry-run", "--wheels", str(running.root)) == 0
    assert "all else works without" in capsys.readouterr().out
    libraries = running.root / "usr/lib/aarch64-linux-gnu"
    libraries.mkdir()
    for name in ("libpango-1.0.so.0", "libpangoft2-1.0.so.0"):
        (libraries / name).touch()
    assert update(running) == 0
    assert not [words for words in running.run if words[0] == "apt-get"]


@pytest.mark.parametrize("says", [None, {"engine": True, "guard": False}])
def test_a_version_that_is_not_well_is_taken_back(
    says: dict[str, bool] | None, running: Pi, capsys: pytest.CaptureFixture[str]
) -> None:
    first = running.release
    unit = running.root / "etc/systemd/system/tallypan.service"
    before = unit.read_text() + "# by hand\n"
    unit.write_text(before)
    running.well["0002-0.1.0"] = says
    assert update(running) == 1
    assert running.release == first
    assert unit.read_text() == before
    assert f"the new version was not well, and {first} runs again." in capsys.readouterr().err
    assert running.run[-1] == ["systemctl", "restart", "tallypan.service"]
    # What failed is no way back, and gone.
    assert [one.name for one in (running.root / "opt/tallypan/releases").iterdir()] == [first]
    assert update(running, "--back") == 2


def test_a_version_that_failed_leaves_the_way_back_as_it_was(running: Pi) -> None:
    assert update(running) == 0
    running.well["0003-0.1.0"] = None
    assert update(running) == 1
    assert running.release == "0002-0.1.0"
    assert update(running, "--back") == 0
    assert running.release == "0001-0.1.0"


def test_what_ailed_before_is_no_fault_of_the_new_version(running: Pi) -> None:
    running.well = {name: {"engine": True, "guard": False} for name in ("0001-0.1.0", "0002-0.1.0")}
    assert update(running) == 0
    assert running.release == "0002-0.1.0"


def test_a_record_that_the_new_version_changed_goes_back_with_it(
    running: Pi, monkeypatch: pytest.MonkeyPatch
) -> None:
    copy = running.root / "var/lib/tallypan/ledger-version-2-20260101-000000.sqlite"
    note = shell.Shell.__init__.__defaults__[0]  # type: ignore[index]  # the fixture put it there

    def brings_up(words: Sequence[str]) -> None:
        note(words)
        if words[1:2] == ["restart"] and running.release != "0001-0.1.0":
            copy.touch()

    monkeypatch.setattr(doing, "run_it", brings_up)
    running.well["0002-0.1.0"] = None
    assert update(running) == 1
    restored = next(words for words in running.run if "restore" in words)
    assert restored[0] == "/opt/tallypan/releases/0001-0.1.0/bin/tallypan"
    assert restored[2] == str(copy)
    running.well.clear()
    copy.unlink()
    assert update(running) == 0
    assert copy.exists()
    assert update(running, "--back") == 2  # jobs may have been entered since: a person decides


def test_what_fails_before_the_switch_leaves_the_old_one_running(
    running: Pi, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_network(words: Sequence[str]) -> None:
        if "pip" in words:
            raise StationError("pip failed.")

    monkeypatch.setattr(doing, "run_it", no_network)
    before = tree(running.root / "etc")
    assert update(running) == 1
    assert (running.release, tree(running.root / "etc")) == ("0001-0.1.0", before)


def test_an_open_job_is_not_interrupted(running: Pi, capsys: pytest.CaptureFixture[str]) -> None:
    running.job_open = True
    assert update(running) == 2
    assert "a job is open" in capsys.readouterr().err
    assert update(running, "--during-a-job") == 0


def test_nothing_to_go_back_to_or_to_renew_is_told(
    root: Path, running: Pi, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert update(running, "--back") == 2
    assert "no earlier release" in capsys.readouterr().err
    (root / "etc/tallypan/bay.toml").unlink()
    assert update(running) == 2
    assert "no station is installed here" in capsys.readouterr().err


def test_the_installed_command_asks_for_the_new_versions_folder(
    running: Pi, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(doing, "HOUSE", running.root)
    assert update(running) == 2
    assert "sudo python3 -m station install, or update" in capsys.readouterr().err


@pytest.fixture
def station() -> Iterator[tuple[str, dict[str, object]]]:
    """A page that answers for its health as the station's does."""
    said: dict[str, object] = {"status": 200}

    class Page(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(int(str(said["status"])))
            self.end_headers()
            self.wfile.write(str(said[self.path]).encode())

        def log_message(self, *_: object) -> None:
            pass

    server = HTTPServer(("127.0.0.1", 0), Page)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}/health", said
    server.shutdown()
    thread.join()
    server.server_close()


def test_health_is_what_the_page_says(station: tuple[str, dict[str, object]]) -> None:
    address, said = station
    checked = {
        "engine": {"ok": True, "vital": True},
        "guard": {"ok": False, "vital": True},
        "clock": {"ok": False, "vital": False},
    }
    said |= {
        "status": 503,
        "/health": json.dumps({"checks": checked}),
        "/metrics": "# x\ntallypan_job_open 1.0\n",
    }
    assert shell.checks(address) == {"engine": True, "guard": False}
    assert shell.job_is_open(address)
    said |= {"status": 200, "/health": "[]", "/metrics": "# tallypan_job_open 1\ntallypan_job_open 0.0\n"}
    assert shell.checks(address) is None
    assert not shell.job_is_open(address)
    assert shell.checks("http://127.0.0.1:9/health") is None


def test_a_bays_file_is_judged_without_a_device(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "bay.toml"
    file.write_text(demo_path().read_text().replace("var/demo", str(tmp_path / "demo")))
    assert main(["doctor", "--file-only", "--config", str(file)]) == 0
    out = capsys.readouterr().out
    assert "record's place" in out
    assert "devices" not in out
    file.write_text(file.read_text().replace("402.5", "0"))
    assert main(["doctor", "--file-only", "--config", str(file)]) == 2


def test_what_is_copied_is_what_the_softwares_identity_covers() -> None:
    assert set(shell.PARTS) == set(identity.PACKAGES)


def test_another_machines_files_are_looked_for_under_its_root(root: Path) -> None:
    system = look(root)
    assert (system.python, system.host, system.native) == (Path("/usr/bin/python3.11"), "Bay-1", False)
    assert system.sensors == ("/sys/bus/w1/devices/28-0123456789ab",)
    assert at(root, places.RECORD) == root / "var/lib/tallypan/ledger.sqlite"
    with pytest.raises(InputError, match=re.escape("expected a system with Python 3.11")):
        look(root / "etc")
    assert plan.health_address(bay_file.said("", "x")) == "http://127.0.0.1:8765/health"
