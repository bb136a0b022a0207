"""The way back at the Pi: who may sign in, a new code for whoever forgot, tries given back; and a certificate."""

import argparse
import json
from pathlib import Path
from typing import Any

from station.common.tabular import to_text
from station.errors import InputError

DONE = 0


def add(commands: Any) -> None:
    """Add the commands to the command line's parser."""
    people = commands.add_parser("people", help="who may sign in; a way back for whoever cannot")
    people.add_argument(
        "--config", type=Path, metavar="FILE", help="the bay's TOML file (default: the demo bay's)"
    )
    people.add_argument("--ledger", type=Path, metavar="FILE", help="another ledger than the bay's")
    people.add_argument("--json", action="store_true", help="print one JSON object")
    what = people.add_subparsers(dest="what", required=True, metavar="WHAT")
    what.add_parser("list", help="everybody, with role and what they sign in with").set_defaults(run=_list)
    entered = _named(what, "add", "enter somebody; prints the code by which they choose a secret", _add)
    entered.add_argument("--role", required=True, help="technician, manager, quality lead or owner")
    entered.add_argument(
        "--shop",
        action="append",
        default=[],
        metavar="KEY",
        help="at a roll-up: of this shop alone; repeatable",
    )
    entered.add_argument("--dsn", help="the roll-up's database, where it is not beside the people")
    _named(what, "reset", "take a forgotten secret away; prints a code by which another is chosen", _reset)
    _named(what, "unlock", "give back the tries that wrong secrets took", _unlock)
    _named(what, "retire", "take somebody out; what they did stays in the record", _retire)

    certificate = commands.add_parser("certificate", help="make a certificate of one's own for the pages")
    certificate.add_argument("name", help="the name by which browsers call the station, such as bay-1.local")
    certificate.add_argument(
        "--also", action="append", default=[], metavar="NAME", help="another name or address of it"
    )
    certificate.add_argument(
        "--folder", type=Path, default=Path(), help="where its two files go (default: here)"
    )
    certificate.add_argument("--json", action="store_true", help="print one JSON object")
    certificate.set_defaults(run=_certificate)


def _named(what: Any, name: str, text: str, run: Any) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = what.add_parser(name, help=text)
    parser.add_argument("name", help="as it stands in the list")
    parser.set_defaults(run=run)
    return parser


def _people(options: argparse.Namespace) -> Any:
    from station.people.store import People, path_beside

    return People(path_beside(_ledger(options)), by=lambda: "at the Pi")


def _ledger(options: argparse.Namespace) -> Path:
    from station.given.config import demo_path, read_config

    ledger: Path | None = options.ledger
    return ledger or read_config(options.config if options.config is not None else demo_path()).ledger


def _list(options: argparse.Namespace) -> int:
    rows = [
        {
            "name": kept.person.name,
            "role": kept.person.role.value,
            "shops": ", ".join(kept.person.shops),
            "signs in with": ("PIN" if kept.person.by_pin else "passphrase")
            if kept.secret
            else "nothing yet",
        }
        for kept in _people(options).all()
    ]
    text = (
        to_text(rows, [c for c in rows[0] if c != "shops" or any(r["shops"] for r in rows)])
        if rows
        else "Nobody is set up yet."
    )
    return _say(options, {"people": rows}, text)


def _add(options: argparse.Namespace) -> int:
    from station.people.people import role_of
    from station.people.secrets import hashed, new_code

    if options.shop:
        _need_shops(options)
    code = new_code()
    kept = _people(options).add(options.name, role_of(options.role), code=hashed(code), shops=options.shop)
    return _say_code(options, kept.person.name, code)


def _need_shops(options: argparse.Namespace) -> None:
    """Raises InputError where somebody is to be bound to a shop that the roll-up does not have."""
    from station.commands.roll_up import database

    folder = None if options.dsn is not None else _ledger(options).parent
    with database(argparse.Namespace(what="people", dsn=options.dsn, data=folder)) as store:
        from station.record.many import queries

        with store.connection() as db:
            known = [shop for company in queries.companies(db) for shop in queries.shops(db, company)]
    for shop in options.shop:
        if shop not in known:
            raise InputError(
                f"there is no shop {shop!r}; expected one of: {', '.join(known) or 'none yet'}. tallypan roll-up enter begins one "
                "with its first bay."
            )


def _reset(options: argparse.Namespace) -> int:
    from station.people.secrets import hashed, new_code

    code = new_code()
    _people(options).set_code(options.name, hashed(code))
    return _say_code(options, options.name, code)


def _unlock(options: argparse.Namespace) -> int:
    _people(options).unlock(options.name)
    return _say(options, {"unlocked": options.name}, f"{options.name} has all tries again.")


def _retire(options: argparse.Namespace) -> int:
    _people(options).retire(options.name)
    return _say(options, {"retired": options.name}, f"{options.name} can no longer sign in.")


def _say_code(options: argparse.Namespace, name: str, code: str) -> int:
    from station.people.store import CODE_HOURS

    text = (
        f"{name} signs in with the code {code} on the station's page and chooses a secret there. It serves once, "
        f"within {CODE_HOURS} h."
    )
    return _say(options, {"name": name, "code": code, "hours": CODE_HOURS}, text)


def _say(options: argparse.Namespace, whole: Any, text: str) -> int:
    print(json.dumps(whole, ensure_ascii=False) if options.json else text)
    return DONE


def _certificate(options: argparse.Namespace) -> int:
    from station.people.certificate import make

    try:
        made = make(options.name, options.also, options.folder)
    except OSError as error:
        raise InputError(f"{options.folder}: nothing can be written there ({error}).") from error
    text = (
        f"certificate  {made.certificate}\nkey          {made.key}\nSHA-256      {made.fingerprint}\nvalid until  "
        f"{made.valid_until}\n\nName both files in [serve] of the bay's file. A browser warns of it once: let it in only "
        "where it shows the same SHA-256 fingerprint."
    )
    whole = {
        "certificate": str(made.certificate),
        "key": str(made.key),
        "sha256": made.fingerprint,
        "valid_until": made.valid_until,
    }
    return _say(options, whole, text)
