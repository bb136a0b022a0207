"""The station onto a Pi and off it: the plan in sentences, and what it leaves in a folder that stands for the Pi's root."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from hardware.pins import PinMap
from hardware.unit import mismatch
from station.__main__ import main
from station.bay import identity
from station.commands.installing import bay_file, places, plan, shell
from station.commands.installing.system import at, look
from station.errors import InputError
from station.given.config import demo_path
from tests.station.commands.installing.conftest import CONFIG_TXT, HOUSE, bay, pi, set_up, tree, with_lgpio

HERE = f"{sys.version_info[0]}.{sys.version_info[1]}"
FIRST_START = "etc/systemd/system/tallypan.service.d/first-start.conf"


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
