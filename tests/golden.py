"""Reports of whole jobs, kept as they once came out, so that a change which should move no figure can show that it
moved none.

``python -m tests.golden`` writes them anew: do that only where a figure is meant to move, and say in the commit which
and why.
"""

import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from station.core.replay import replay
from station.figures import balance
from station.given import recording
from station.given.job import read_job
from station.given.report import Report
from station.rehearsing.rehearse import rehearse
from station.rehearsing.scenario import read_scenario

DATA = Path(__file__).parent / "data"
GOLDEN = DATA / "golden"
SEEDS = range(1, 21)
RELATIVE = 1e-9
"""On one machine figures agree to the last digit. numpy's linear algebra, by which a pan's drift is fitted, multiplies and adds
in an order that OpenBLAS chooses by the processor: between an ordinary machine and arm64, and between two generations of the
former, up to 1.2e-13 was seen (tests/FIGURES.md). The C library's exp, log and sines are the same to the last bit there, its erf
is not. What is kept may move in its last digits with such a library too, so nine digits are asked for."""


def json_of(report: Report) -> Any:
    """A report as JSON gives it back."""
    return json.loads(json.dumps(report.to_dict()))


def rehearsed(seed: int) -> Any:
    """The report of the shipped scenario with this seed, as JSON gives it back."""
    return json_of(rehearse(read_scenario(None), seed).report())


def replayed() -> Any:
    """The report of the recording that was written by hand, as JSON gives it back."""
    spec = read_job(DATA / "bus7_axle.toml")
    return json_of(balance.report(replay(spec, recording.read(DATA / "bus7_axle.csv"))))


def kept(name: str) -> Any:
    return json.loads((GOLDEN / f"{name}.json").read_text(encoding="utf-8"))


def differences(was: Any, now: Any, where: str = "report") -> Iterator[str]:
    """Every place at which two reports differ."""
    if isinstance(was, dict) and isinstance(now, dict):
        for key in sorted(was.keys() | now.keys()):
            if key not in was or key not in now:
                yield f"{where}.{key} is {'new' if key in now else 'gone'}"
            else:
                yield from differences(was[key], now[key], f"{where}.{key}")
    elif isinstance(was, list) and isinstance(now, list):
        if len(was) != len(now):
            yield f"{where} has {len(now)} entries, had {len(was)}"
        for k, (old, new) in enumerate(zip(was, now, strict=False)):
            yield from differences(old, new, f"{where}[{k}]")
    elif isinstance(was, float) and isinstance(now, float):
        if not math.isclose(was, now, rel_tol=RELATIVE, abs_tol=1e-12):
            yield f"{where} is {now!r}, was {was!r}"
    elif was != now:
        yield f"{where} is {now!r}, was {was!r}"


def write() -> None:
    GOLDEN.mkdir(exist_ok=True)
    reports = {f"rehearse_{seed}": rehearsed(seed) for seed in SEEDS} | {"replay_bus7_axle": replayed()}
    for name, report in reports.items():
        text = json.dumps(report, indent=1, ensure_ascii=False, sort_keys=True)
        (GOLDEN / f"{name}.json").write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    write()
