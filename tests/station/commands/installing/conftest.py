"""A folder that stands for a Pi's root, and an installation into it.

Programs that fetch or need the system's own rights are noted instead of run; the emulated board runs them.
"""

import os
import subprocess
from collections.abc import Sequence
from pathlib import Path

import pytest

from station.__main__ import main
from station.commands.installing import bay_file, doing, shell

HOUSE = Path(__file__).parents[4]
ELF = {
    "aarch64": b"\x7fELF\x02\x01\x01" + bytes(11) + b"\xb7\x00",
    "armv7l": b"\x7fELF\x01\x01\x01" + bytes(11) + b"\x28\x00",
}
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
