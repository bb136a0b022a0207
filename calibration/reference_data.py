"""Reference data: readable TOML files in calibration/reference, each value with its source.

A value without a source is refused when the file is read, so none can slip in.
"""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files
from typing import Any

from calibration.fluid import Fluid

_ABOUT = ("source", "note")


@cache
def load(name: str) -> dict[str, Any]:
    """The table of calibration/reference/NAME.toml. Raises FileNotFoundError for an unknown name."""
    return tomllib.loads(files("calibration").joinpath("reference", f"{name}.toml").read_text("utf-8"))


def fluid_names() -> tuple[str, ...]:
    """Names of the fluids in fluids.toml, in the file's order."""
    return tuple(load("fluids"))


def fluid(name: str) -> Fluid:
    """A fluid of fluids.toml. Raises ValueError for an unknown name, naming those that exist."""
    entry = _entry(name)
    return Fluid.from_table({key: value for key, value in entry.items() if key not in _ABOUT})


def fluid_sources(name: str) -> dict[str, str]:
    """Where each value of a fluid comes from: key -> source. Raises ValueError for an unknown name."""
    return dict(_entry(name)["source"])


def _entry(name: str) -> dict[str, Any]:
    fluids = load("fluids")
    if name not in fluids:
        raise ValueError(f"no reference fluid {name!r}, expected one of {', '.join(fluids)}.")
    entry: dict[str, Any] = fluids[name]
    needs_source = set(entry) - {"kind", "name", "grade", *_ABOUT}
    without = sorted(needs_source - set(entry.get("source", {})))
    if without:
        raise ValueError(
            f"reference fluid {name!r} has no source for {', '.join(without)}. Add it to the file."
        )
    return entry
