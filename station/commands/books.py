"""The commands that enter something into the shop's books, and list what was entered."""

import argparse
from pathlib import Path
from typing import Any

from station.commands.shop import DONE, bay_of, command, count, ledger_of, tell
from station.common.tabular import to_text
from station.errors import InputError

TEXTS = ("fluid", "u95", "container", "vehicle", "technician", "note", "when")


def add(commands: Any) -> None:
    """Add the commands to the command line's parser."""
    catalogue = command(commands, "catalogue", "list or import vehicles, compartments, fluids …", _catalogue)
    catalogue.add_argument("table", help="vehicle, compartment, fluid, container, technician, price or shop")
    catalogue.add_argument(
        "--import", dest="file", type=Path, metavar="FILE.csv", help="what the file would change"
    )
    catalogue.add_argument("--apply", action="store_true", help="make the changes, unless a row is rejected")
    catalogue.add_argument("--retire", nargs="+", metavar="KEY", help="take an entry out of the lists")

    move = command(commands, "move", "enter a delivery, a purge, waste, a stock take …", _move)
    move.add_argument("kind", help="received, drawn, purge, waste, counted or collected")
    move.add_argument("volume", help="with its unit, such as '57.2 L'")
    move.add_argument("--technician", default="", help="who did it; needed")
    move.add_argument("--fluid", default="", help="may be left out where the container says it")
    move.add_argument("--u95", default="", help="its expanded uncertainty, with its unit; a count needs it")
    move.add_argument(
        "--when",
        default="",
        metavar="TIME",
        help="of the shop's clock, such as '2026-03-31 14:30'; default: now",
    )
    for name in ("container", "vehicle", "note"):
        move.add_argument(f"--{name}", default="")

    entries = command(commands, "entries", "what was entered into the books, newest first", _entries)
    entries.add_argument("words", nargs="*", help="each in the container, fluid, vehicle, technician or note")
    entries.add_argument("--limit", type=count, default=50, metavar="N", help="so many at most (default: 50)")
    entries.add_argument("--before", type=int, metavar="SEQ", help="only those before this one")
    for name in ("kind", "container"):
        entries.add_argument(f"--{name}", default="", help=f"only of this {name}")
    entries.add_argument(
        "--from", dest="first_day", default="", metavar="DATE", help="first day, such as 2026-03-01"
    )
    entries.add_argument(
        "--to", dest="last_day", default="", metavar="DATE", help="last day, itself included"
    )


def _catalogue(options: argparse.Namespace) -> int:
    from station.common import days
    from station.record.ledger import now
    from station.shop import catalogue, entering
    from station.shop.rows import TABLES

    if options.apply and options.file is None:
        raise InputError("--apply belongs to --import; name the file.")
    changing = options.apply or options.retire is not None
    with ledger_of(options, write=changing) as ledger:
        present = catalogue.read(ledger)
        if options.retire is not None:
            change = entering.retire(present, options.table, options.retire)
            ledger.append(None, catalogue.EVENT, catalogue.body([change], "command line"), now())
            return tell(options, change.to_dict(), [change.to_dict()], list(change.to_dict()), "retired")
        if options.file is None:
            rows = present.rows(options.table)
            columns = [*TABLES[options.table].names(), "retired"]
            return tell(options, {options.table: rows}, rows, columns, to_text(rows, columns))
        try:
            bay, data = bay_of(options), options.file.read_bytes()
            plan = entering.dry_run(present, options.table, data, bay.country, f"{days.today(bay.zone)}")
        except OSError as error:
            raise InputError(f"{options.file}: cannot be read ({error}).") from error
        except InputError as error:
            raise InputError(f"{options.file}: {error}") from error
        rows = [{**c.to_dict(), "key": " / ".join(c.key)} for c in plan.changes]
        rows += [{"action": "rejected", "row": row, "reason": reason} for row, reason in plan.rejected]
        columns = "action key fields row reason".split()
        done = f"{len(plan.changes)} to change, {plan.unchanged} unchanged, {len(plan.rejected)} rejected"
        whole = {**plan.to_dict(), "applied": options.apply and not plan.rejected}
        tell(options, whole, rows, columns, f"{to_text(rows, columns)}\n{done}")
        try:
            changes = entering.accept(plan)
        except InputError as error:
            raise InputError(f"{options.file}: {error}") from error
        if options.apply and changes:
            ledger.append(None, catalogue.EVENT, catalogue.body(changes, options.file.name), now())
    return DONE


def _move(options: argparse.Namespace) -> int:
    from station.common import days
    from station.record.ledger import now
    from station.shop import catalogue, movement

    bay = bay_of(options)
    entry = movement.Typed(options.kind, options.volume, **{name: getattr(options, name) for name in TEXTS})
    with ledger_of(options, write=True) as ledger:
        moved = movement.typed(entry, catalogue.read(ledger), bay.country, bay.zone, days.now())
        seq = ledger.append(None, movement.EVENT, moved.to_dict(), now())
    body = moved.to_dict()
    text = f"entered: {moved.kind} {moved.volume_l:.3f} L {moved.fluid}"
    return tell(options, {"seq": seq, **body}, [body], list(body), text)


def _entries(options: argparse.Namespace) -> int:
    from station.shop import movement

    asked = movement.Asked(
        " ".join(options.words), options.kind, options.container, options.first_day, options.last_day
    )
    with ledger_of(options) as ledger:
        found = movement.listed(ledger, asked, bay_of(options).zone, options.limit, options.before)
    rows = [one.to_dict() for one in found]
    columns = movement.COLUMNS
    return tell(options, {"entries": rows}, rows, columns, to_text(rows, columns))
