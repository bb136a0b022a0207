"""Files that a person writes, read with a word on what is wrong with them."""

import re
import tomllib
from pathlib import Path
from typing import Any

from station.errors import InputError


def read_toml(path: Path) -> dict[str, Any]:
    """Read a TOML file. Raises InputError naming the file and the line."""
    text = read_text(path)
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise InputError(f"{path}: lists are nested too deep to be meant; take them out.") from None
    except ValueError as error:
        raise InputError(f"{path}: not valid TOML ({error}); {_remedy(text, str(error))}.") from error


_SLIPS = (
    (re.compile(r"\s*[\w.-]+\s*=\s*[+-]?(\d+),(\d+)\s*(#.*)?"), r"write \1.\2 there, with a point"),
    (
        re.compile(r"\s*\[+([\w-]+)\.([^\W\d_][^\"'\]]*?)\s*\]+\s*(#.*)?"),
        r'write [\1."\2"] there: such a name wants quotes',
    ),
    (
        re.compile(r"\s*([\w.-]+)\s*=\s*(?!true\b|false\b)([^\W\d_][^\"'#]*?)\s*(#.*)?"),
        r'write \1 = "\2" there: a text wants quotes',
    ),
)
"""What people write in place of TOML: a decimal comma, a name or a text without its quotes."""


def _remedy(text: str, error: str) -> str:
    """What to do about a line that is no TOML."""
    place = re.search(r"\(at line (\d+),", error)
    line = text.splitlines()[int(place[1]) - 1] if place else ""
    return next(
        (found.expand(said) for slip, said in _SLIPS if (found := slip.fullmatch(line))), "correct it there"
    )


def read_text(path: Path) -> str:
    """Read a text file. Raises InputError where there is none or it is not UTF-8."""
    try:
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise InputError(f"{path}: no such file; check the path.") from None
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: not UTF-8 text ({error.reason}); save it as UTF-8.") from None
    except (OSError, ValueError) as error:
        raise InputError(f"{path}: cannot be read ({error}); expected a UTF-8 text file.") from error
