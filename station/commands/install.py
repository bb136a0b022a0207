"""The commands that bring the station onto a Pi, renew it there and take it away. They need Python's own library alone, and what
they do is loaded when one of them is called: the service brings this module along."""

import argparse
from pathlib import Path
from typing import Any


def add(commands: Any) -> None:
    """Add the commands to the command line's parser."""
    install = commands.add_parser("install", help="set the station up on this Pi as a service")
    _common(install)
    install.add_argument(
        "--from", dest="bay", type=Path, metavar="FILE", help="the bay's file; without it you are asked"
    )
    install.add_argument("--owner", metavar="NAME", help="who signs in first, where others reach the pages")
    install.add_argument(
        "--leave-boot-file", action="store_true", help="say what config.txt needs, and leave it alone"
    )
    _new_version(install)
    install.set_defaults(run=_install)

    update = commands.add_parser(
        "update", help="put a new version beside the old one; back when it is not well"
    )
    _common(update)
    update.add_argument("--back", action="store_true", help="go back to the version before")
    update.add_argument(
        "--during-a-job", action="store_true", help="also while a job is open; its pump stops"
    )
    _new_version(update)
    update.set_defaults(run=_update)

    uninstall = commands.add_parser("uninstall", help="take the station away; the record stays")
    _common(uninstall)
    uninstall.set_defaults(run=_uninstall)


def _common(command: argparse.ArgumentParser) -> None:
    command.add_argument("--dry-run", action="store_true", help="say what would be done, and do nothing")
    command.add_argument("--yes", action="store_true", help="do it without asking once more")
    command.add_argument(
        "--root", type=Path, default=Path("/"), metavar="DIR", help="another system, such as a card's image mounted there"
    )  # fmt: skip


def _new_version(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--wheels", type=Path, metavar="FOLDER", help="the packages of requirements.lock, for a Pi without a network"
    )  # fmt: skip


def _install(options: argparse.Namespace) -> int:
    from station.commands.installing import doing

    return doing.install(options)


def _update(options: argparse.Namespace) -> int:
    from station.commands.installing import doing

    return doing.update(options)


def _uninstall(options: argparse.Namespace) -> int:
    from station.commands.installing import doing

    return doing.uninstall(options)
