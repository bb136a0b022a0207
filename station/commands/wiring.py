"""The command that draws a bay's wiring from its own file."""

import argparse
import json
from pathlib import Path
from typing import Any

from station.common.tabular import to_text
from station.errors import InputError

DONE = 0
COLUMNS = ["what", "BCM", "place", "to", "beside"]


def add(commands: Any) -> None:
    """Add the command to the command line's parser."""
    command = commands.add_parser(
        "wiring", help="what goes to which pin, and the parts to buy, from the bay's file"
    )
    command.add_argument(
        "--config", type=Path, metavar="FILE", help="the bay's TOML file (default: the demo bay's)"
    )
    command.add_argument(
        "--out", type=Path, metavar="FILE.svg", help="draw it into a file, for a browser or a printer"
    )
    command.add_argument("--json", action="store_true", help="print one JSON object")
    command.set_defaults(run=_wiring)


def _wiring(options: argparse.Namespace) -> int:
    from hardware import wiring
    from station.given.config import demo_path, read_config

    config = read_config(options.config if options.config is not None else demo_path())
    lines = {
        source: port.port for plan in (config.serial, config.modbus) for source, port in plan.used().items()
    }
    rows = wiring.rows(config.pins, lines)
    parts = [{"part": part.what, "look for": part.look_for} for part in wiring.parts(config.pins, lines)]
    if options.out is not None:
        try:
            options.out.write_text(wiring.svg(config.name, config.pins, lines), encoding="utf-8")
        except OSError as error:
            raise InputError(f"{options.out}: cannot be written ({error}); name another file.") from error
    if options.json:
        print(json.dumps({"pins": rows, "lines": lines, "parts": parts}, ensure_ascii=False))
        return DONE
    print(to_text(rows, COLUMNS))
    for source, port in lines.items():
        print(f"{source}: over a line, {port}")
    print(f"\n{to_text(parts, ['part', 'look for'])}")
    if options.out is not None:
        print(f"\nDrawn in {options.out}.")
    return DONE
