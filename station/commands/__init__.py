"""The commands beside those that run or compute a job, by subject."""

from typing import Any

from station.commands import books, install, people, record, shop, unit, wiring


def add(commands: Any) -> None:
    """Add the commands to the command line's parser."""
    shop.add(commands)
    books.add(commands)
    record.add(commands)
    people.add(commands)
    unit.add(commands)
    install.add(commands)
    wiring.add(commands)
