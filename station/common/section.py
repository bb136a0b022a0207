"""Reading TOML so that every complaint names the file, the table, the key and what was expected."""

import math
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from station.common.units import parse_volume_l
from station.errors import InputError


class Section:
    """One table of a file, read key by key; each complaint names the file, the table and the key."""

    def __init__(self, source: str, name: str, table: object) -> None:
        if not isinstance(table, Mapping):
            raise InputError(f"{source}: [{name}] is missing. Add the table; see README.md for an example.")
        self.where, self.table = f"{source}: [{name}]", table
        self.seen: set[str] = set()

    def number(
        self,
        key: str,
        default: float | None = None,
        *,
        above: float | None = None,
        least: float | None = None,
        finite: bool = True,
    ) -> float:
        self.seen.add(key)
        value = self.table.get(key, default)
        if value is None:
            raise InputError(f"{self.where} {key} is missing; expected a number.")
        if isinstance(value, bool) or not isinstance(value, int | float) or math.isnan(value):
            raise InputError(f"{self.where} {key} = {value!r}; expected a finite number.")
        if finite and math.isinf(value):
            raise InputError(f"{self.where} {key} = {value!r}; expected a finite number.")
        if above is not None and not value > above:
            raise InputError(f"{self.where} {key} = {value!r}; expected a number above {above:g}.")
        if least is not None and not value >= least:
            raise InputError(f"{self.where} {key} = {value!r}; expected a number of at least {least:g}.")
        return float(value)

    def text(self, key: str, default: str | None = None) -> str:
        self.seen.add(key)
        value = self.table.get(key, default)
        if not isinstance(value, str):
            found = "is missing" if value is None else f"= {value!r}"
            raise InputError(f"{self.where} {key} {found}; expected text in quotes.")
        return value

    def volume_l(self, key: str, default: str | None = None, country: str | None = None) -> float:
        text = self.text(key, default)
        try:
            return parse_volume_l(text, country)
        except ValueError as error:
            raise InputError(f"{self.where} {key}: {error}") from error

    def texts(self, key: str) -> dict[str, str]:
        """A table of texts below this one; empty where there is none."""
        self.seen.add(key)
        table = self.table.get(key, {})
        if not isinstance(table, Mapping) or not all(isinstance(value, str) for value in table.values()):
            raise InputError(f"{self.where} {key} = {table!r}; expected a table of texts.")
        return dict(table)

    def finish(self) -> None:
        unknown = sorted(set(self.table) - self.seen)
        if unknown:
            raise InputError(
                f"{self.where} has unknown key {unknown[0]!r}; known keys: {', '.join(sorted(self.seen))}."
            )


def read_toml(path: Path) -> dict[str, Any]:
    """Read a TOML file. Raises InputError naming the file and the line."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise InputError(f"{path}: no such file. Check the path.") from None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot be read ({error}). Expected a UTF-8 text file.") from error
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{path}: not valid TOML: {error}.") from error
