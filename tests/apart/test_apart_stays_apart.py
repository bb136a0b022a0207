"""The plant shares nothing with what it judges."""

import ast
from pathlib import Path

HERE = Path(__file__).parent
OURS = {"station", "calibration", "hardware", "web"}


def _imports(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
    return found


def test_no_module_of_the_plant_imports_the_station() -> None:
    seen = {path.name: _imports(path) for path in HERE.glob("*.py")}
    assert {"playing.py", "housing.py", "ideal.py"} <= set(seen)
    ours = {
        name: {i for i in imports if i.split(".")[0] in OURS}
        for name, imports in seen.items()
        if any(i.split(".")[0] in OURS for i in imports)
    }
    # One gives files to the command, one hands a chart its values, one keeps what a shop's record would. None is asked for
    # anything by the plant.
    kept = {"calibration.budget", "station.common.units", "station.given.listing", "station.learning"}
    assert ours == {
        "running.py": {"station.__main__"},
        "charting.py": {"station.learning.charts"},
        "coming_back.py": kept | {"station.learning.expected"},
    }
