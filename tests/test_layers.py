"""The house's rules, checked on the source itself: who may import whom, and who may know what time it is.

A room is a folder of ``station`` or ``web``; ``hardware`` and ``calibration`` are one room each. Rules are stated in
three tables below and nowhere else. Each is shown to catch a planted breach.
"""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGES = ("calibration", "hardware", "station", "web")

MAY_IMPORT: dict[str, set[str]] = {
    "calibration": {"station.common"},  # of it the words alone: what a certificate and a refusal say is read on a page
    "hardware": set(),
    "station.errors": set(),
    "station.verdict": set(),
    "station.common": {"station.errors"},
    "station.given": {"station.common", "station.errors", "calibration", "hardware"},
    "station.weighing": {"station.common", "station.given", "calibration"},  # what U95 means stands in calibration
    "station.filling": {"station.common", "station.given", "station.weighing", "calibration"},
    "station.core": {
        "station.common", "station.given", "station.weighing", "station.filling", "station.errors", "hardware",
        "calibration",
    },
    "station.figures": {
        "station.common", "station.given", "station.weighing", "station.filling", "station.core",
        "station.verdict", "calibration",
    },
    "station.record": {"station.common", "station.given", "station.errors", "calibration", "hardware"},
    "station.learning": {
        "station.common", "station.given", "station.record", "station.errors", "calibration",
    },
    "station.shop": {
        "station.common", "station.given", "station.filling", "station.record", "station.learning", "station.errors",
        "calibration",
    },
    "station.calibrating": {
        "station.common", "station.given", "station.weighing", "station.filling", "station.core", "station.figures",
        "station.record", "station.errors", "calibration", "hardware",
    },
    "station.bay": {
        "station.common", "station.given", "station.weighing", "station.filling", "station.core", "station.figures",
        "station.record", "station.learning", "station.shop", "station.calibrating", "station.errors",
        "calibration", "hardware",
    },
    "station.people": {"station.common", "station.errors"},
    "station.rehearsing": {  # of the record: the simulated depot begins with a past
        "station.common", "station.given", "station.core", "station.figures", "station.record", "station.errors", "hardware",
        "calibration",
    },
    "station.commands": {
        "station.common", "station.given", "station.record", "station.learning", "station.shop", "station.people",
        "station.rehearsing",  # a shop put together on one machine begins with a past, as the simulated bay does
        "station.errors", "hardware",  # the unit of the service is of hardware, as the guard in it is
    },
    "station.__main__": {"*"},  # the one place where all parts meet
    "web.frame": {"station", "calibration"},
    "web.live": {"web.frame", "station"},
    "web.jobs": {"web.frame", "web.live", "station", "calibration"},
    "web.shop": {"web.frame", "web.live", "web.jobs", "station"},
    "web.calibrating": {"web.frame", "web.live", "web.jobs", "station", "calibration"},
    "web.people": {"web.frame", "station"},
    "web.app": {"web.frame", "web.live", "web.jobs", "web.shop", "web.calibrating", "web.people", "station"},
    "web.server": {"web.app", "web.frame", "station"},
    "web.many": {"web.frame", "web.shop", "web.people", "web.server", "station"},
}  # fmt: skip
"""Room → the rooms, or whole packages, whose names it may import. ``*`` stands for all."""

PURE = {
    "calibration", "station.common", "station.weighing", "station.filling", "station.core", "station.figures",
    "station.verdict",
}  # fmt: skip
"""Rooms in which the same input always gives the same output: no clock, no thread, no device, no database."""

IMPURE_MODULES = {
    "threading",
    "socket",
    "sqlite3",
    "sqlite_utils",
    "subprocess",
    "queue",
    "asyncio",
    "random",
}
CLOCKS = {
    "now",
    "today",
    "utcnow",
    "time",
    "time_ns",
    "monotonic",
    "monotonic_ns",
    "perf_counter",
    "localtime",
}
MAY_ASK_THE_DATE = {"station/common/days.py"}
"""Turns instants into the shop's days; ``today`` there is the one door through which a date comes in."""

ROOMS_MOST = {"station": 13 + 1, "web": 5 + 1}
"""Rooms that a newcomer can keep in mind; the commands stand beside station's, and signing in beside the pages' five."""

LINES_MOST = 350


def room_of(module: str) -> str:
    """The room that a dotted name belongs to; a package's own name where it has no rooms, or names none."""
    parts = module.split(".")
    if parts[0] in ("station", "web") and len(parts) > 1:
        return ".".join(parts[:2])
    return parts[0]


def imported(tree: ast.AST) -> Iterator[str]:
    """Every dotted name that a module imports, ``from a import b`` as ``a.b``."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            yield from (f"{node.module}.{name.name}" for name in node.names)


def forbidden(module: str, source: str) -> list[str]:
    """What a module imports of the house and may not."""
    own = room_of(module)
    allowed = MAY_IMPORT[own]
    wrong = []
    for name in imported(ast.parse(source)):
        room = room_of(name)
        if name.split(".")[0] not in PACKAGES or room == own or "*" in allowed:
            continue
        if room not in allowed and room.split(".")[0] not in allowed:
            wrong.append(name)
    return wrong


def impure(source: str) -> list[str]:
    """Modules of the outside world that a source imports, and clocks that it reads."""
    tree = ast.parse(source)
    found = [name for name in imported(tree) if name.split(".")[0] in IMPURE_MODULES]
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in CLOCKS:
            owner = ast.unparse(node.func.value)
            if owner in ("time", "datetime", "date", "datetime.datetime", "datetime.date"):
                found.append(f"{owner}.{node.func.attr}")
    found += [name for name in imported(tree) if name.split(".")[0] == "time"]
    return found


def modules() -> list[tuple[str, Path]]:
    found = []
    for package in PACKAGES:
        for path in sorted((ROOT / package).rglob("*.py")):
            parts = path.relative_to(ROOT).with_suffix("").parts
            found.append((".".join(parts[:-1] if parts[-1] == "__init__" else parts), path))
    return found


MODULES = modules()


def test_every_room_is_in_the_table() -> None:
    rooms = {room_of(name) for name, _ in MODULES}
    assert rooms - {"station", "web"} == set(MAY_IMPORT)
    folders = [room for room in MAY_IMPORT if (ROOT / room.replace(".", "/")).is_dir()]
    for package, most in ROOMS_MOST.items():
        assert len([room for room in folders if room.startswith(f"{package}.")]) <= most


def test_the_table_has_no_circle() -> None:
    """An order exists in which each room imports only earlier ones."""
    left = {room: allowed - {"*"} for room, allowed in MAY_IMPORT.items()}
    while left:
        free = [
            room
            for room, allowed in left.items()
            if not any(
                other == a or other.startswith(f"{a}.") for a in allowed for other in left if other != room
            )
        ]
        assert free, f"these import each other: {sorted(left)}"
        for room in free:
            del left[room]


@pytest.mark.parametrize(("name", "path"), MODULES, ids=[name for name, _ in MODULES])
def test_imports_run_one_way(name: str, path: Path) -> None:
    if name in ("station", "web"):
        assert not path.read_text(encoding="utf-8").count("import")
        return
    assert forbidden(name, path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(("name", "path"), [(n, p) for n, p in MODULES if room_of(n) in PURE])
def test_the_pure_rooms_know_no_clock_and_no_outside(name: str, path: Path) -> None:
    if str(path.relative_to(ROOT)) in MAY_ASK_THE_DATE:
        return
    assert impure(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    ("module", "source"),
    [
        ("station.core.step", "from station.bay import engine"),
        ("station.given.config", "from station.core.state import Settings"),
        ("station.bay.engine", "from station.rehearsing.bench import Bench"),
        ("calibration.density", "import hardware.rig"),
        ("hardware.rig", "from calibration import density"),
        ("station.shop.stock", "from web.frame import format"),
        ("web.frame.gate", "from web.live import hub"),
        ("station.weighing.drip", "def f():\n    from station.core import step"),
    ],
)
def test_a_planted_import_is_caught(module: str, source: str) -> None:
    assert forbidden(module, source)


@pytest.mark.parametrize(
    "source",
    [
        "import time\ntime.monotonic()",
        "from time import monotonic",
        "from datetime import datetime\ndatetime.now()",
        "import datetime\ndatetime.date.today()",
        "import threading",
        "from sqlite3 import connect",
        "def f():\n    import random",
    ],
)
def test_a_planted_clock_or_door_to_the_outside_is_caught(source: str) -> None:
    assert impure(source)


@pytest.mark.parametrize(("name", "path"), MODULES, ids=[name for name, _ in MODULES])
def test_a_module_is_read_in_one_sitting(name: str, path: Path) -> None:
    lines = len(path.read_text(encoding="utf-8").splitlines())
    assert lines <= LINES_MOST, f"{name} has {lines} lines; at most {LINES_MOST}"
