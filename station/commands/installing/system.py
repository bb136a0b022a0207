"""What a system is into which the station shall go: read from its files, without running anything of it."""

import os
import re
from dataclasses import dataclass
from pathlib import Path

from hardware.board import ONE_WIRE, SENSOR_FAMILIES
from station.commands.installing import places
from station.errors import InputError

OLDEST = (3, 11)
WITHOUT_WHEEL = (3, 13)
"""From this Python on the GPIO library comes as Debian's package: its maker has no wheel for it."""
FOR_PDF = {"libpango-1.0.so.0": "libpango-1.0-0", "libpangoft2-1.0.so.0": "libpangoft2-1.0-0"}
"""Libraries with which a sheet's text is set, and the packages that have them. A desktop brings them along; a system without
a screen does not."""
MACHINES = {0xB7: "aarch64", 0x3E: "x86_64", 0x28: "armv7l"}
"""e_machine of an ELF file's header (System V ABI, supplements for each processor)."""


@dataclass(frozen=True)
class System:
    """root: where its files are seen; "/" on the machine itself. python: its interpreter, as it is called there.

    lacks: Debian's packages that have to be added. lacks_for_pdf: those without which all works but a sheet as a PDF. boot_file: its config.txt, with its text. sensors: folders
    of its 1-Wire thermometers. state: names of the files beside the record. native: it is this machine's own, whose programs
    can be run.
    """

    root: Path
    name: str
    host: str
    python: Path
    version: tuple[int, int]
    wide: bool
    machine: str
    has_systemd: bool
    lacks: tuple[str, ...]
    lacks_for_pdf: tuple[str, ...]
    boot_file: Path | None
    boot_text: str
    sensors: tuple[str, ...]
    releases: tuple[str, ...]
    current: str | None
    previous: str | None
    bay_file: bool
    state: tuple[str, ...]
    has_ufw: bool
    native: bool


def at(root: Path, path: Path) -> Path:
    """Where a path of the system is seen from here."""
    return root / path.relative_to("/")


def look(root: Path) -> System:
    """Look at the system whose files are under a folder. Raises InputError where there is none."""
    python = _python(root)
    found = re.fullmatch(r"python(\d+)\.(\d+)", python.name)
    if found is None:
        raise InputError(f"{at(root, python)}: its version is not in its name; expected such as python3.11.")
    version = (int(found[1]), int(found[2]))
    head = at(root, python).read_bytes()[:20]
    if head[:4] != b"\x7fELF":
        raise InputError(f"{at(root, python)} is no program; expected the system's own Python.")
    boot_file = next((file for file in places.BOOT_FILES if at(root, file).exists()), None)
    bus = root / ONE_WIRE
    return System(
        root=root,
        name=_line(at(root, Path("/etc/os-release")), r'^PRETTY_NAME="?([^"\n]*)'),
        host=_line(at(root, Path("/etc/hostname")), r"^\s*(\S+)") or "tallypan",
        python=python,
        version=version,
        wide=head[4] == 2,
        machine=MACHINES.get(int.from_bytes(head[18:20], "little"), "unknown"),
        has_systemd=any(at(root, Path(place)).exists() for place in ("/usr/lib/systemd", "/lib/systemd")),
        lacks=tuple(_lacking(root, version)),
        lacks_for_pdf=tuple(package for library, package in FOR_PDF.items() if not _has_library(root, library)),
        boot_file=boot_file,
        boot_text="" if boot_file is None else at(root, boot_file).read_text(encoding="utf-8", errors="replace"),
        sensors=tuple(sorted(f"/{ONE_WIRE}/{one.name}" for one in bus.glob("*") if one.name.startswith(SENSOR_FAMILIES))),
        releases=tuple(sorted(one.name for one in at(root, places.RELEASES).glob("*"))),
        current=_linked(root, places.CURRENT),
        previous=_linked(root, places.PREVIOUS),
        bay_file=at(root, places.BAY_FILE).exists(),
        state=tuple(sorted(one.name for one in at(root, places.STATE).glob("*"))),
        has_ufw=at(root, Path("/usr/sbin/ufw")).exists(),
        native=root == Path("/"),
    )  # fmt: skip


def _python(root: Path) -> Path:
    """The system's own Python, links followed within the system."""
    path = Path("/usr/bin/python3")
    for _ in range(8):
        here = at(root, path)
        if not here.is_symlink():
            break
        path = Path(os.path.normpath(path.parent / os.readlink(here)))
    if not at(root, path).is_file():
        raise InputError(f"{at(root, path)} is not there; expected a system with Python 3.11 or newer.")
    return path


def _line(file: Path, pattern: str) -> str:
    found = re.search(pattern, file.read_text(encoding="utf-8"), re.M) if file.exists() else None
    return found[1] if found else ""


def _linked(root: Path, link: Path) -> str | None:
    here = at(root, link)
    return Path(os.readlink(here)).name if here.is_symlink() else None


def _lacking(root: Path, version: tuple[int, int]) -> list[str]:
    library = root / f"usr/lib/python{version[0]}.{version[1]}"
    wanted = {} if (library / "ensurepip").exists() or root != Path("/") else {"python3-venv": True}
    if version >= WITHOUT_WHEEL and not (root / "usr/lib/python3/dist-packages/lgpio.py").exists():
        wanted["python3-lgpio"] = True
    return list(wanted)


def _has_library(root: Path, name: str) -> bool:
    """Whether a shared library is where Debian puts it, each machine's in a folder of its own."""
    return any(next(root.glob(f"{place}/*/{name}"), None) is not None for place in ("usr/lib", "lib"))
