"""Bays that leave, from the roll-up's terminal: retired, brought back, moved to another shop."""

import argparse
from collections.abc import Callable
from typing import Any

DONE = 0
Where = Callable[[argparse.ArgumentParser], None]


def add(what: Any, where: Where) -> None:
    """Add the commands to those of the roll-up. where: adds which database it is."""
    retire = what.add_parser("retire", help="a bay that is gone: sold, scrapped, burnt out; its jobs stay")
    _bay(retire, where, "what became of it")
    retire.set_defaults(run=_retire)

    back = what.add_parser("bring-back", help="a retired bay, as if it had been in use all the time")
    _bay(back, where, "why it is in use all the same")
    back.set_defaults(run=_bring_back)

    move = what.add_parser("move", help="a bay that stands in another shop now; its jobs until then stay")
    _bay(move, where, "why it moved")
    move.add_argument("to_shop", help="where it stands now")
    move.add_argument(
        "to_bay",
        help="its name there, which no other bay of that shop has or had; where it comes back, the name that it had",
    )
    move.add_argument(
        "--when",
        default="",
        metavar="TIME",
        help="when it moved, of the former shop's clock, such as '2026-03-31 14:30' (default: now)",
    )
    move.add_argument("--time-zone", default="", metavar="ZONE", help="of a shop that is new: Europe/Oslo")
    move.set_defaults(run=_move)


def _bay(parser: argparse.ArgumentParser, where: Where, why: str) -> None:
    where(parser)
    parser.add_argument("shop")
    parser.add_argument("bay")
    parser.add_argument("--because", required=True, metavar="TEXT", help=f"{why}; stays in the log")
    parser.add_argument(
        "--by", default="", metavar="NAME", help="who decides it (default: this machine's user)"
    )


def _retire(options: argparse.Namespace) -> int:
    from station.commands.roll_up import database, say, who
    from station.record.many.leaving import retire

    with database(options) as store, store.connection() as db:
        utc = retire(db, options.shop, options.bay, who(options), options.because)
    text = (
        f"{options.shop}, {options.bay} is retired from {utc} on. Its jobs stay in every figure; what it recorded until then "
        "is taken when it comes."
    )
    say(options, {"gone_at": utc}, text)
    return DONE


def _bring_back(options: argparse.Namespace) -> int:
    from station.commands.roll_up import database, say, who
    from station.record.many.leaving import bring_back

    with database(options) as store, store.connection() as db:
        bring_back(db, options.shop, options.bay, who(options), options.because)
    text = f"{options.shop}, {options.bay} is in use again; what it recorded meanwhile is taken when it sends the next time."
    say(options, {"brought_back": True}, text)
    return DONE


def _move(options: argparse.Namespace) -> int:
    from station.commands.roll_up import database, say, who
    from station.shop.leaving import move

    source, target = (options.shop, options.bay), (options.to_shop, options.to_bay)
    with database(options) as store, store.connection() as db:
        moved = move(db, source, target, who(options), options.because, options.when, options.time_zone)
    text = (
        f"{', '.join(source)} goes on as {', '.join(target)}, with the token that it has. {moved} entries from after the move "
        "were here already, and count there now; what it recorded before it stays with the former shop, also where it comes later."
    )
    say(options, {"moved": moved}, text)
    return DONE
