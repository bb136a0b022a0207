"""The commands beside those that run or compute a job, by subject."""

import argparse
from collections.abc import Callable
from typing import Any

from station.commands import books, install, people, record, roll_up, shop, unit, wiring


def add(commands: Any, serve_many: Callable[[argparse.Namespace], int]) -> None:
    """Add the commands to the command line's parser. serve_many: serves the roll-up's pages."""
    shop.add(commands)
    books.add(commands)
    record.add(commands)
    people.add(commands)
    unit.add(commands)
    install.add(commands)
    wiring.add(commands)
    roll_up.add(commands, serve_many)
