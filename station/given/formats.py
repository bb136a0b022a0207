"""Line formats and register maps by name: ``format = "…"`` in a bay's file stands for what a formats file says of it."""

import tomllib
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Any

from station.common.files import read_toml
from station.common.schema import complain
from station.errors import InputError

KINDS = {"serial": "line", "modbus": "registers"}
"""Table of the bay's file → table of a formats file."""


def with_formats(tables: Mapping[str, Any], source: str) -> tuple[dict[str, Any], dict[str, str]]:
    """A bay's tables with every named format written out; what the bay's file says beside it goes before.

    And what is wrong, by table: a name that no formats file has, or a file of the shop's own that cannot be read.
    """
    whole, wrong = dict(tables), {}
    for kind, named in KINDS.items():
        devices = tables.get(kind)
        if not isinstance(devices, Mapping):
            continue
        try:
            whole[kind] = {
                source_name: _written_out(table, (kind, source_name), named, tables, source)
                for source_name, table in devices.items()
            }
        except InputError as error:
            wrong[kind] = str(error)
            del whole[kind]
    return whole, wrong


def _written_out(
    table: Any, place: tuple[str, str], named: str, tables: Mapping[str, Any], source: str
) -> Any:
    if not isinstance(table, Mapping) or "format" not in table:
        return table
    known = _known(named, tables, source)
    name = table["format"]
    if not isinstance(name, str) or name not in known:
        complain(source, (*place, "format"), name, f"expected one of: {', '.join(known)}, or [{named}.{name}] in the file that [bay] formats names")  # fmt: skip
    return {**known[name], **{key: value for key, value in table.items() if key != "format"}}


def _known(named: str, tables: Mapping[str, Any], source: str) -> dict[str, Mapping[str, Any]]:
    shipped = tomllib.loads((resources.files("hardware") / "formats.toml").read_text(encoding="utf-8"))
    bay = tables.get("bay")
    own = bay.get("formats") if isinstance(bay, Mapping) else None
    mine: dict[str, Any] = {}
    if isinstance(own, str):
        try:
            mine = read_toml(Path(own))
        except InputError as error:
            complain(source, ("bay", "formats"), own, str(error).rstrip("."))
    return {name: dict(one) for file in (shipped, mine) for name, one in file.get(named, {}).items()}
