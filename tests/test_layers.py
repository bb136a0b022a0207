"""The house's rules, checked on the source itself."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
ALLOWED = {
    "calibration": set(),
    "hardware": set(),
    "station": {"hardware", "calibration"},
    "web": {"station"},
}
JOINS = {"station/__main__.py"}  # the one place where all parts meet


def imports(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {name.name for name in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            found.add(node.module)
    return {name.split(".")[0] for name in found}


@pytest.mark.parametrize("package", ALLOWED)
def test_imports_run_one_way(package: str) -> None:
    others = set(ALLOWED) - {package} - ALLOWED[package]
    modules = sorted((ROOT / package).rglob("*.py"))
    assert modules
    wrong = {
        str(path.relative_to(ROOT)): imports(path) & others
        for path in modules
        if str(path.relative_to(ROOT)) not in JOINS and imports(path) & others
    }
    assert not wrong


@pytest.mark.parametrize("package", ["calibration", "station"])
def test_the_pure_parts_read_no_clock(package: str) -> None:
    """Figures come from samples; only the shell's modules may ask what time it is."""
    shell = {"engine.py", "ledger.py", "lock.py", "recorder.py", "doctor.py", "watchdog.py", "__main__.py"}
    wrong = [
        path.name
        for path in (ROOT / package).rglob("*.py")
        if path.name not in shell and imports(path) & {"time", "threading", "socket", "sqlite3"}
    ]
    assert wrong == []
