"""The commands that keep the record: check it, copy it, put a copy back, let old samples go."""

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from station.errors import InputError

DONE, FAILED = 0, 1
SHOWN_MOST = 20


def add(commands: Any) -> None:
    """Add the commands to the command line's parser."""
    verify = commands.add_parser(
        "verify", help="check the ledger: chain, rows, samples, photos, checkpoints, file"
    )
    _where(verify)
    verify.add_argument("--against", type=Path, metavar="CHECKPOINT", help="hold it to a signed checkpoint")
    verify.add_argument(
        "--key", action="append", default=[], metavar="KEY", help="a public key, beside those that lie by it"
    )
    verify.set_defaults(run=_verify)

    backup = commands.add_parser("backup", help="copy the ledger and its photos, also while the station runs")
    _where(backup)
    backup.add_argument(
        "--to", type=Path, metavar="FOLDER", help="where to (default: as the bay's file says)"
    )
    backup.set_defaults(run=_backup)

    restore = commands.add_parser(
        "restore", help="put a backup in the ledger's place; the station must be stopped"
    )
    _where(restore)
    restore.add_argument(
        "backup", type=Path, metavar="BACKUP", help="a backup's folder (its newest copy), or one file"
    )
    restore.set_defaults(run=_restore)

    retain = commands.add_parser(
        "retain", help="which raw samples are older than the rule; --apply lets them go"
    )
    _where(retain)
    retain.add_argument(
        "--months", type=float, metavar="N", help="keep so many (default: as the bay's file says)"
    )
    retain.add_argument("--apply", action="store_true", help="let them go; figures and events stay")
    retain.set_defaults(run=_retain)

    checkpoint = commands.add_parser(
        "checkpoint", help="print the signed checkpoint of a closed job, or the public key"
    )
    _where(checkpoint)
    checkpoint.add_argument("job_id", nargs="?", metavar="JOB", help="the job (default: the newest one)")
    checkpoint.add_argument("--key", action="store_true", help="print the public keys instead")
    checkpoint.set_defaults(run=_checkpoint)


def _where(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--config", type=Path, metavar="FILE", help="the bay's TOML file (default: the demo bay's)"
    )
    parser.add_argument("--ledger", type=Path, metavar="FILE", help="another ledger than the bay's")
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def _bay(options: argparse.Namespace) -> Any:
    from station.given.config import demo_path, read_config

    return read_config(options.config if options.config is not None else demo_path())


def _ledger_path(options: argparse.Namespace, there: bool = True) -> Path:
    path: Path = options.ledger if options.ledger is not None else _bay(options).ledger
    if there and not path.exists():
        raise InputError(f"{path}: no such ledger. Name it with --ledger.")
    return path


def _verify(options: argparse.Namespace) -> int:
    from station.learning.condition import broken_photos, folder_of
    from station.record.note import VerifierKey
    from station.record.verify import verify

    path = _ledger_path(options)
    against = None
    if options.against is not None:
        try:
            against = options.against.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise InputError(
                f"{options.against}: cannot be read ({error}). Expected a signed checkpoint."
            ) from error
    keys = [VerifierKey.parse(text) for text in options.key]
    verdict = verify(path, against, keys, lambda db: broken_photos(db, folder_of(path)))
    if options.json:
        found = {"whole": not verdict.broken, "entries": verdict.entries}
        print(json.dumps({**found, "broken": verdict.broken, "notes": verdict.notes}, ensure_ascii=False))
        return FAILED if verdict.broken else DONE
    for text in verdict.broken[:SHOWN_MOST]:
        print(f"broken: {text}", file=sys.stderr)
    if len(verdict.broken) > SHOWN_MOST:
        print(f"broken: and {len(verdict.broken) - SHOWN_MOST} more", file=sys.stderr)
    for text in verdict.notes:
        print(f"note: {text}")
    if verdict.broken:
        return FAILED
    print(f"{path}: the chain is whole, {verdict.entries} entries")
    return DONE


def _backup(options: argparse.Namespace) -> int:
    from station.record.backup import make

    path = _ledger_path(options)
    folder = options.to if options.to is not None else _bay(options).record.backup
    if not folder:
        raise InputError(
            "where is the backup to go? Name a folder with --to, or set backup in [record] of the bay's file."
        )
    made = make(path, Path(folder))
    _say(options, {"backup": str(made.path), "entries": made.entries, "photos": made.photos},
         f"{made.path}: {made.entries} entries, {made.photos} new photos")  # fmt: skip
    return DONE


def _restore(options: argparse.Namespace) -> int:
    from station.record.backup import restore

    text = restore(options.backup, _ledger_path(options, there=False))
    _say(options, {"text": text}, text)
    return DONE


def _retain(options: argparse.Namespace) -> int:
    from station.record import retain
    from station.record.ledger import Ledger

    months = options.months if options.months is not None else _bay(options).record.keep_samples_months
    if months is None:
        raise InputError(
            "how long are samples to be kept? Say --months, or set keep_samples_months in [record] of the bay's file."
        )
    ledger = Ledger(_ledger_path(options), read_only=not options.apply)
    try:
        if options.apply:
            jobs, samples = retain.apply(ledger, months)
            _say(
                options,
                {"jobs": jobs, "samples": samples},
                f"let go: {samples} samples of {jobs} jobs; figures and events stay",
            )
            return DONE
        found = retain.may_go(ledger, months)
        text = "\n".join(found) if found else "no samples are older than the rule"
        _say(options, {"jobs": found}, text)
    finally:
        ledger.close()
    return DONE


def _checkpoint(options: argparse.Namespace) -> int:
    from station.record.anchor import keys_for
    from station.record.ledger import Ledger

    path = _ledger_path(options)
    if options.key:
        keys = [str(key) for key in keys_for(path)]
        _say(
            options,
            {"keys": keys},
            "\n".join(keys) or "there is no key yet; the station makes it when it first starts",
        )
        return DONE
    ledger = Ledger(path, read_only=True)
    try:
        job_id = options.job_id
        if job_id is None:
            newest = ledger.jobs(1)
            if not newest:
                raise InputError(f"{path}: no job is closed yet, and so there is no checkpoint.")
            job_id = newest[0].job_id
        note = ledger.checkpoint(job_id)
    finally:
        ledger.close()
    if note is None:
        raise InputError(
            f"the job {job_id!r} has no checkpoint: it is open, unknown, or was closed before checkpoints were made."
        )
    if options.json:
        print(json.dumps({"job_id": job_id, "checkpoint": note}, ensure_ascii=False))
    else:
        print(note, end="")
    return DONE


def _say(options: argparse.Namespace, whole: dict[str, Any], text: str) -> None:
    print(json.dumps(whole, ensure_ascii=False) if options.json else text)
