"""The roll-up over many bays: serve it, enter a bay, say how the bays stand, check all of it."""

import argparse
import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from station.commands import leaving, run_shop
from station.common.tabular import to_text
from station.common.words import SOURCE
from station.errors import InputError

if TYPE_CHECKING:
    from station.given.config import ServeRules
    from station.given.receivers import Receiver
    from station.record.many.store import Store

DONE, FAILED = 0, 1
PORT = 8766
BEGINS = ("enter", "serve")
"""What begins a roll-up in a folder that holds none; to everything else such a folder is a slip."""


def add(commands: Any, serve: Callable[[argparse.Namespace], int]) -> None:
    """Add the commands to the command line's parser."""
    roll_up = commands.add_parser(
        "roll-up", help="many bays' records in one place, and pages over all of them"
    )
    what = roll_up.add_subparsers(dest="what", required=True, metavar="WHAT")

    served = what.add_parser("serve", help="serve the roll-up: bays bring their records, people read")
    _where(served)
    served.add_argument(
        "--host", default="127.0.0.1", help="address to listen on (default: this machine only)"
    )
    served.add_argument("--port", type=int, default=PORT, help=f"port to listen on (default: {PORT})")
    served.add_argument(
        "--name", action="append", default=[], help="a name by which browsers and bays call it"
    )
    served.add_argument(
        "--company", default="", metavar="KEY", help="whose figures are shown (default: the first's)"
    )
    served.add_argument(
        "--certificate", type=Path, metavar="FILE", help="serve under TLS, with this certificate"
    )
    served.add_argument("--key", type=Path, metavar="FILE", help="the certificate's key")
    served.add_argument(
        "--receivers",
        type=Path,
        metavar="FILE",
        help="other systems that are told of closed jobs, in a TOML file",
    )
    served.add_argument("--proxy", action="store_true", help="a reverse proxy on this machine takes TLS off")
    served.add_argument(
        "--simulated", action="store_true", help="on this machine alone: nobody is asked to sign in"
    )
    served.add_argument(
        "--sign-in", action="store_true", help="with --simulated: people sign in all the same"
    )
    served.add_argument(
        "--language", default=SOURCE, metavar="CODE", help=f"the language of its pages (default: {SOURCE})"
    )
    served.add_argument(
        "--processes",
        type=int,
        metavar="N",
        help="so many beside the server take records in (default: as there are cores, 4 at most; 0: the server itself)",
    )
    served.add_argument("--log-json", action="store_true", help="log as JSON lines")
    served.set_defaults(run=serve)

    enter = what.add_parser("enter", help="have a bay report here; prints the token for its token_file")
    _where(enter)
    enter.add_argument("company", help="small letters, digits, hyphens: estuary-buses")
    enter.add_argument("shop", help="a shop's name, which serves once among all companies")
    enter.add_argument("bay", help="a bay's name within its shop")
    enter.add_argument(
        "--time-zone", default="", metavar="ZONE", help="whose days a new shop counts in: Europe/Oslo"
    )
    enter.add_argument(
        "--page", default="", metavar="ADDRESS", help="where the bay's own pages are, for the wall"
    )
    enter.add_argument(
        "--since",
        default="",
        metavar="TIME",
        help="of a bay that moved here from another roll-up: when; what it recorded before is that one's",
    )
    enter.add_argument("--by", default="", metavar="NAME", help="who does it (default: this machine's user)")
    enter.set_defaults(run=_enter)

    accept = what.add_parser(
        "accept", help="take a refused bay's record anew; what is here of it is set aside and kept"
    )
    _where(accept)
    accept.add_argument("shop")
    accept.add_argument("bay")
    accept.add_argument(
        "--because", required=True, metavar="TEXT", help="what was found at the bay; stays in the log"
    )
    accept.add_argument(
        "--by", default="", metavar="NAME", help="who decides it (default: this machine's user)"
    )
    accept.set_defaults(run=_accept)

    leaving.add(what, _where)
    lists = what.add_parser("lists", help="change the lists of a shop, which its bays take over")
    _where(lists)
    lists.add_argument("shop")
    lists.add_argument("table", help="vehicle, compartment, fluid, container, technician or price")
    lists.add_argument("file", type=Path, nargs="?", help="a CSV file, as tallypan catalogue imports it")
    lists.add_argument("--retire", nargs="+", metavar="KEY", help="take one entry out of use")
    lists.add_argument("--apply", action="store_true", help="make the changes, unless a row is rejected")
    lists.add_argument("--by", default="", metavar="NAME", help="who does it (default: this machine's user)")
    lists.set_defaults(run=_lists)

    export = what.add_parser("export", help="a table over many bays for other systems: CSV, JSON or Parquet")
    _where(export)
    export.add_argument(
        "table",
        help="usage, technicians, missing, stock, quality, jobs, compartments, calibrations or comparisons",
    )
    export.add_argument("--month", default="", metavar="MONTH", help="2026-03 (default: the present one)")
    export.add_argument("--months", type=int, default=1, metavar="N", help="so many, up to and with that one")
    export.add_argument("--shop", action="append", default=[], help="one shop alone, or several")
    export.add_argument("--company", default="", metavar="KEY", help="whose (default: the first's)")
    export.add_argument(
        "--out", type=Path, metavar="FILE", help="FILE.csv, FILE.json or FILE.parquet; without it CSV"
    )
    export.set_defaults(run=_export)

    run_shop.add(what)
    _where(bays := what.add_parser("bays", help="every bay, and how far its record has arrived"))
    bays.set_defaults(run=_bays)
    _where(verify := what.add_parser("verify", help="check every chain, and every sum against its rows"))
    verify.set_defaults(run=_verify)


def _where(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--data", type=Path, metavar="DIR", help="a folder for a PostgreSQL of its own")
    parser.add_argument("--dsn", help="or a server that is there: postgresql://user@host/database")
    parser.add_argument("--json", action="store_true", help="print one JSON object")


@dataclass(frozen=True)
class Opened:
    """What is served. ledger: beside which the people are kept; there is no such file."""

    store: "Store"
    serve: "ServeRules"
    ledger: Path
    receivers: "tuple[Receiver, ...]" = ()


@contextmanager
def opened(options: argparse.Namespace) -> Iterator[Opened]:
    """The roll-up's database, and how it is served. Raises InputError, StationError."""
    from station.given.config import ServeRules
    from station.given.receivers import read_receivers

    receivers = () if options.receivers is None else read_receivers(options.receivers)
    if options.data is None:
        raise InputError(
            "where are people and, without --dsn, the database to be kept? Name a folder with --data."
        )
    options.data.mkdir(parents=True, exist_ok=True)
    with database(options) as store:
        rules = ServeRules(options.host, options.port, names=tuple(options.name), proxy=options.proxy)
        yield Opened(store, rules, options.data / "roll-up.sqlite", receivers)


@contextmanager
def database(options: argparse.Namespace) -> Iterator["Store"]:
    """The roll-up's, as --data or --dsn says. An embedded server that runs already is used as it is, and not ended."""
    try:
        from station.record.many.embedded import Embedded, begun
        from station.record.many.store import Store
    except ImportError as error:
        raise InputError(
            f"The roll-up needs the extra roll-up ({error.name} is missing): pip install 'tallypan[roll-up]'."
        ) from error
    if (options.dsn is None) == (options.data is None) and options.dsn is None:
        raise InputError("which database? Name a folder with --data, or a server with --dsn.")
    if options.dsn is None and options.what not in BEGINS and not begun(options.data):
        raise InputError(
            f"{options.data}: there is no roll-up; expected the folder that roll-up enter began, or --dsn. Check for a slip."
        )
    engine = None if options.dsn is not None else Embedded(options.data)
    try:
        store = Store(
            options.dsn if engine is None else engine.dsn, (lambda: None) if engine is None else engine.ensure
        )
        try:
            yield store
        finally:
            store.close()
    finally:
        if engine is not None:
            engine.close()


def _enter(options: argparse.Namespace) -> int:
    from station.shop.leaving import moment

    with database(options) as store:
        with store.connection() as db:
            since = moment(db, options.since, options.shop, options.time_zone)
        token = store.enter_bay(
            options.company,
            options.shop,
            options.bay,
            options.time_zone,
            options.page,
            since,
            who=who(options),
        )
    say(options, {"token": token}, token)
    return DONE


def _accept(options: argparse.Namespace) -> int:
    with database(options) as store, store.connection() as db:
        from station.record.many.accept import accept

        seq = accept(db, options.shop, options.bay, who(options), options.because)
    text = (
        f"{seq} entries of {options.shop}, {options.bay} are set aside, and stay; its record is taken anew from its first "
        "entry when it sends the next time."
    )
    say(options, {"set_aside": seq}, text)
    return DONE


def _lists(options: argparse.Namespace) -> int:
    if (options.file is None) == (options.retire is None):
        raise InputError("what is to change? Name a file, or an entry with --retire.")
    shop, table, by = options.shop, options.table, who(options)
    with database(options) as store, store.connection() as db:
        from station.record.many import lists
        from station.shop import entering, issuing

        before = lists.newest(db, shop)
        if options.retire is not None:
            if options.apply:
                change = issuing.retire(db, shop, table, options.retire, by, "command line")
            else:
                lists.hold(db, shop)
                change = entering.retire(issuing.present(db, shop), table, options.retire)
            plan = entering.Import(table, (change,), 0, ())
        else:
            try:
                data = options.file.read_bytes()
            except OSError as error:
                raise InputError(f"{options.file}: cannot be read ({error}).") from error
            plan = issuing.import_file(db, shop, table, data, options.file.name, by, options.apply)
        version = lists.newest(db, shop)
        done = (
            f"version {version} of the lists of {shop}"
            if version > before
            else "nothing was changed; --apply does it"
        )
    rejected = "".join(f"\nrow {row}: {reason}" for row, reason in plan.rejected)
    text = f"{len(plan.changes)} to change, {plan.unchanged} unchanged; {done}{rejected}"
    say(options, {**plan.to_dict(), "version": version}, text)
    return FAILED if plan.rejected else DONE


def _export(options: argparse.Namespace) -> int:
    with database(options) as store, store.connection() as db:
        from station.record.many import exporting, queries
        from station.shop.counted import TABLES

        company = options.company or next(iter(queries.companies(db)), "")
        table, shops = TABLES.get(options.table), list(queries.shops(db, company))
        if table is None:
            raise InputError(f"there is no table {options.table!r}; expected one of: {', '.join(TABLES)}.")
        scope = queries.scope_of(company, shops, options.month, options.months, options.shop)
        form = options.out.suffix.removeprefix(".") if options.out else "json" if options.json else "csv"
        data = exporting.file_of(db, scope, table, form)
    if options.out is None:
        sys.stdout.write(data.decode())
        return DONE
    try:
        options.out.write_bytes(data)
    except OSError as error:
        raise InputError(f"{options.out}: cannot be written ({error}).") from error
    return DONE


def _bays(options: argparse.Namespace) -> int:
    with database(options) as store:
        rows = [vars(bay) for bay in store.bays()]
    columns = ["company", "shop", "bay", "heard", "seq", "behind", "gone_at", "fault"]
    say(options, {"bays": rows}, to_text(rows, columns) if rows else "No bay was entered yet.")
    return FAILED if any(row["fault"] for row in rows) else DONE


def _verify(options: argparse.Namespace) -> int:
    from station.record.many.verify import check

    with database(options) as store, store.connection() as db:
        broken = check(db)
    text = (
        "\n".join(f"broken: {one}" for one in broken)
        or "every chain is whole, and every sum is what its rows add up to"
    )
    say(options, {"whole": not broken, "broken": broken}, text)
    return FAILED if broken else DONE


def who(options: argparse.Namespace) -> str:
    """Who says so: whoever was named, or else whoever typed it."""
    import getpass

    return str(options.by or getpass.getuser())


def say(options: argparse.Namespace, whole: dict[str, Any], text: str) -> None:
    print(json.dumps(whole, ensure_ascii=False) if options.json else text)
