"""The command that writes the service's unit for a bay."""

import argparse
import sys
from pathlib import Path
from typing import Any

from hardware.unit import unit_text

DONE = 0


def add(commands: Any) -> None:
    """Add the command to the command line's parser."""
    unit = commands.add_parser(
        "unit", help="print the systemd unit for a bay: its paths, and its own pump's pins"
    )
    unit.add_argument("--config", type=Path, metavar="FILE", required=True, help="the bay's TOML file")
    unit.set_defaults(run=_unit)


def _unit(options: argparse.Namespace) -> int:
    from station.given.config import read_config  # with the environment that tallypan install has yet to make

    config = read_config(options.config)
    backup = None if config.record.backup is None else Path(config.record.backup)
    print(unit_text(config.pins, options.config.absolute(), Path(sys.prefix), backup=backup), end="")
    return DONE
