"""The commands that read the shop's history, and the few that enter something into it."""

import argparse
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from station.common.tabular import to_csv, to_text
from station.errors import InputError

DONE = 0
AUDIT_TABLES = ("day", "technician", "vehicle", "fluid", "stock takes", "used fluid")
QUALITY_TABLES = ("fills", "subjects", "calibration")
"""As in station.shop.audit and station.learning.quality, which a command line that runs something else need not load."""
QUALITY_DAYS = 90


def add(commands: Any) -> None:
    """Add the commands to the command line's parser."""
    audit = _command(
        commands, "audit", "where the fluid of a period went, with cost and the unexplained rest", _audit
    )
    audit.add_argument("--month", metavar="YYYY-MM", help="a calendar month (default: this one)")
    _period(audit)
    audit.add_argument("--by", choices=AUDIT_TABLES, default="day", help="what is listed (default: day)")

    quality = _command(commands, "quality", "short, over and undecided fills, and control charts", _quality)
    _period(quality)
    quality.add_argument(
        "--list", choices=QUALITY_TABLES, default="fills", help="what --csv prints (default: fills)"
    )
    quality.add_argument(
        "--chart", nargs=2, metavar=("OF", "NAME"), help="one chart: bay, meter, technician …"
    )

    catalogue = _command(commands, "catalogue", "list or import vehicles, compartments, fluids …", _catalogue)
    catalogue.add_argument("table", help="vehicle, compartment, fluid, container, technician or price")
    catalogue.add_argument(
        "--import", dest="file", type=Path, metavar="FILE.csv", help="what the file would change"
    )
    catalogue.add_argument("--apply", action="store_true", help="make the changes, unless a row is rejected")
    catalogue.add_argument("--retire", nargs="+", metavar="KEY", help="take an entry out of the lists")

    jobs = _command(commands, "jobs", "closed and abandoned jobs, newest first", _jobs)
    jobs.add_argument("--limit", type=_count, default=50, metavar="N", help="so many at most (default: 50)")
    jobs.add_argument("--before", metavar="JOB", help="only jobs older than this one")
    jobs.add_argument(
        "words", nargs="*", help="each in the vehicle's, compartment's or technician's name, or the number"
    )
    for name in ("vehicle", "technician", "container", "outcome"):
        jobs.add_argument(f"--{name}", default="", help=f"only of this {name}")
    jobs.add_argument(
        "--from", dest="first_day", default="", metavar="DATE", help="first day, such as 2026-03-01"
    )
    jobs.add_argument("--to", dest="last_day", default="", metavar="DATE", help="last day, itself included")

    _command(commands, "expected", "expected fill of every compartment, and what it rests on", _expected)
    _command(commands, "due", "next service of every compartment", _due)
    _command(commands, "stock", "what every container should hold now", _stock)

    move = _command(commands, "move", "enter a delivery, a purge, waste, a stock take …", _move)
    move.add_argument("kind", help="received, drawn, purge, waste, counted or collected")
    move.add_argument("volume", help="with its unit, such as '57.2 L'")
    move.add_argument("--fluid", required=True)
    move.add_argument("--u95", default="0 L", help="its expanded uncertainty, with its unit")
    for name in ("container", "vehicle", "technician"):
        move.add_argument(f"--{name}")
    move.add_argument("--note", default="")

    _command(commands, "changes", "every change of a setting or a calibration, with its number", _changes)

    why = _command(commands, "why", "likely causes of what a job came to", _why)
    why.add_argument("job_id")


def _command(
    commands: Any, name: str, text: str, run: Callable[[argparse.Namespace], int]
) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = commands.add_parser(name, help=text)
    parser.add_argument(
        "--config", type=Path, metavar="FILE", help="the bay's TOML file (default: the demo bay's)"
    )
    parser.add_argument("--ledger", type=Path, metavar="FILE", help="another ledger than the bay's")
    how = parser.add_mutually_exclusive_group()
    how.add_argument("--json", action="store_true", help="print one JSON object")
    how.add_argument("--csv", action="store_true", help="print CSV")
    parser.set_defaults(run=run)
    return parser


def _count(text: str) -> int:
    number = int(text)
    if number < 1:
        raise argparse.ArgumentTypeError(f"{number} is no number of jobs; expected 1 or more")
    return number


def _period(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--since", metavar="DATE", help="first day, such as 2026-03-01")
    parser.add_argument("--until", metavar="DATE", help="the day after the last one")


def _bay(options: argparse.Namespace) -> Any:
    from station.given.config import demo_path, read_config

    return read_config(options.config if options.config is not None else demo_path())


@contextmanager
def _ledger(options: argparse.Namespace, write: bool = False) -> Iterator[Any]:
    from station.record.ledger import Ledger

    path = options.ledger if options.ledger is not None else _bay(options).ledger
    if not path.exists():
        raise InputError(f"{path}: no such ledger. Name it with --ledger.")
    ledger = Ledger(path, read_only=not write)
    try:
        yield ledger
    finally:
        ledger.close()


def _print(
    options: argparse.Namespace,
    whole: Any,
    rows: Sequence[Mapping[str, Any]],
    columns: Sequence[str],
    text: str,
) -> int:
    if options.json:
        print(json.dumps(whole, ensure_ascii=False))
    elif options.csv:
        print(to_csv(rows, columns), end="")
    else:
        print(text)
    return DONE


def _audit(options: argparse.Namespace) -> int:
    from station.common import days
    from station.shop import audit, catalogue

    bay = _bay(options)
    if options.month is not None and (options.since or options.until):
        raise InputError("--month and --since/--until were both given; name one of them.")
    if (options.since is None) != (options.until is None):
        raise InputError("--since and --until belong together; give both or neither.")
    if options.since is not None:
        since, until = audit.day(options.since, "--since"), audit.day(options.until, "--until")
    else:
        this_month = f"{days.today(bay.zone):%Y-%m}"
        since, until = audit.month(options.month if options.month is not None else this_month)
    with _ledger(options) as ledger:
        books = audit.audit(ledger, since, until, catalogue.read(ledger), bay.country, bay.zone)
    columns, rows = books.table(options.by)
    text = f"{since} to {until}, days of {books.time_zone}, litres\n{to_text(rows, columns[:-1])}"
    if books.stock and options.by in audit.GROUPS:
        take_columns, takes = books.table("stock takes")
        text += f"\n\nStock takes\n{to_text(takes, take_columns[:-1])}"
    used = books.used
    text += (
        f"\n\nUsed fluid: {used.total_l:.1f} L ± {used.total_u95_l:.1f} L, {used.collected_l:.1f} L collected"
    )
    return _print(options, books.to_dict(), rows, columns, text)


def _quality(options: argparse.Namespace) -> int:
    from station.common import days
    from station.learning import quality
    from station.learning.fills import FILL_COLUMNS
    from station.shop import audit

    bay = _bay(options)
    zone, today = bay.zone, days.today(bay.zone)
    until = audit.day(options.until, "--until") if options.until else f"{today + timedelta(days=1)}"
    start = date.fromisoformat(until) - timedelta(days=QUALITY_DAYS)
    since = audit.day(options.since, "--since") if options.since else f"{start}"
    with _ledger(options) as ledger:
        if options.chart is not None:
            dimension, name = options.chart
            return _chart(options, quality.subject_chart(ledger, dimension, name, days.begins(until, zone)))
        content = quality.quality(
            ledger, since, until, zone, quality.LISTED if options.json else quality.MOST
        )
        due = quality.bay_due(ledger, bay.name, today)
    fills, subjects, calibration = (quality.table(content, due, name, zone) for name in quality.TABLES)
    columns, rows = quality.table(content, due, options.list, zone)
    text = [
        f"{since} to {until}, days of {content.time_zone}, {content.jobs} closed jobs",
        to_text(fills[1], FILL_COLUMNS),
        "",
    ]
    text += [to_text(subjects[1], "dimension name jobs short over undecided recurring".split()), ""]
    text += [f"{c.dimension} {c.name}: {c.chart.text} {'; '.join(c.recent)}".rstrip() for c in content.charts]
    text += ["", "Calibration", to_text(calibration[1], calibration[0])]
    whole = {**content.to_dict(), "calibration_due": calibration[1]}
    return _print(options, whole, rows, columns, "\n".join(text))


def _chart(options: argparse.Namespace, one: Any) -> int:
    from station.learning.quality import CHART_COLUMNS

    rows = one.points()
    text = f"{one.chart.text}\n{to_text(rows, CHART_COLUMNS)}"
    return _print(options, one.to_dict(), rows, CHART_COLUMNS, text)


def _catalogue(options: argparse.Namespace) -> int:
    from station.record.ledger import now
    from station.shop import catalogue, entering
    from station.shop.rows import TABLES

    if options.apply and options.file is None:
        raise InputError("--apply belongs to --import; name the file.")
    changing = options.apply or options.retire is not None
    with _ledger(options, write=changing) as ledger:
        present = catalogue.read(ledger)
        if options.retire is not None:
            change = entering.retire(present, options.table, options.retire)
            ledger.append(None, catalogue.EVENT, catalogue.body([change], "command line"), now())
            return _print(options, change.to_dict(), [change.to_dict()], list(change.to_dict()), "retired")
        if options.file is None:
            rows = present.rows(options.table)
            columns = [*TABLES[options.table].names(), "retired"]
            return _print(options, {options.table: rows}, rows, columns, to_text(rows, columns))
        try:
            plan = entering.dry_run(present, options.table, options.file.read_bytes(), _bay(options).country)
        except OSError as error:
            raise InputError(f"{options.file}: cannot be read ({error}).") from error
        except InputError as error:
            raise InputError(f"{options.file}: {error}") from error
        rows = [{**c.to_dict(), "key": " / ".join(c.key)} for c in plan.changes]
        rows += [{"action": "rejected", "row": row, "reason": reason} for row, reason in plan.rejected]
        columns = "action key fields row reason".split()
        done = f"{len(plan.changes)} to change, {plan.unchanged} unchanged, {len(plan.rejected)} rejected"
        whole = {**plan.to_dict(), "applied": options.apply and not plan.rejected}
        _print(options, whole, rows, columns, f"{to_text(rows, columns)}\n{done}")
        try:
            changes = entering.accept(plan)
        except InputError as error:
            raise InputError(f"{options.file}: {error}") from error
        if options.apply and changes:
            ledger.append(None, catalogue.EVENT, catalogue.body(changes, options.file.name), now())
    return DONE


def _jobs(options: argparse.Namespace) -> int:
    from station.record.finding import wanted
    from station.record.ledger import JOB_COLUMNS

    names = (options.vehicle, options.technician, options.container, options.outcome)
    asked = wanted(" ".join(options.words), *names, options.first_day, options.last_day, _bay(options).zone)
    with _ledger(options) as ledger:
        rows = [row.told() for row in ledger.jobs(options.limit, options.before, asked)]
    shown = (
        "job_id opened_utc vehicle compartment technician expected_fill_l drained_l filled_l verdict".split()
    )
    return _print(options, {"jobs": rows}, rows, JOB_COLUMNS, to_text(rows, shown))


def _expected(options: argparse.Namespace) -> int:
    from station.learning import expected
    from station.shop import catalogue, offered

    config = _bay(options)
    with _ledger(options) as ledger:
        compartments = offered.merged(config, catalogue.read(ledger)).compartments.values()
        rows = expected.overview(ledger, compartments, config.country)
    return _print(options, {"expected": rows}, rows, expected.COLUMNS, to_text(rows, expected.COLUMNS))


def _due(options: argparse.Namespace) -> int:
    from station.common import days
    from station.shop import catalogue, due

    zone = _bay(options).zone
    today = days.today(zone)
    with _ledger(options) as ledger:
        rows = due.table(due.overview(ledger, catalogue.read(ledger), today, zone=zone), zone)
    text = f"{today}, days of {days.zone_name(zone)}\n{to_text(rows, due.COLUMNS[:-1])}"
    whole = {"today": f"{today}", "time_zone": days.zone_name(zone), "due": rows}
    return _print(options, whole, rows, due.COLUMNS, text)


def _stock(options: argparse.Namespace) -> int:
    from station.shop import catalogue, stock

    country = _bay(options).country
    with _ledger(options) as ledger:
        held = stock.contents(ledger, catalogue.read(ledger), country)
    rows = [content.to_dict() for content in held]
    return _print(options, {"stock": rows}, rows, stock.COLUMNS, to_text(rows, stock.COLUMNS))


def _changes(options: argparse.Namespace) -> int:
    from station.shop import changes

    with _ledger(options) as ledger:
        rows = [one.to_dict() for one in changes.listed(ledger)]
    return _print(options, {"changes": rows}, rows, changes.COLUMNS, to_text(rows, changes.COLUMNS))


def _move(options: argparse.Namespace) -> int:
    from station.common.units import parse_volume_l
    from station.record.ledger import now
    from station.shop import audit

    country = _bay(options).country
    try:
        volume_l, u95_l = parse_volume_l(options.volume, country), parse_volume_l(options.u95, country)
    except ValueError as error:
        raise InputError(str(error)) from error
    movement = audit.Movement(
        options.kind,
        options.fluid,
        volume_l,
        u95_l,
        container=options.container,
        vehicle=options.vehicle,
        technician=options.technician,
        note=options.note,
    )
    with _ledger(options, write=True) as ledger:
        seq = ledger.append(None, audit.EVENT, movement.to_dict(), now())
    text = f"entered: {options.kind} {volume_l:.3f} L {options.fluid}"
    body = movement.to_dict()
    return _print(options, {"seq": seq, **body}, [body], list(body), text)


def _why(options: argparse.Namespace) -> int:
    from station.record import archive
    from station.shop import catalogue, shop

    with _ledger(options) as ledger:
        try:
            job = archive.job(ledger, options.job_id)
        except KeyError:
            raise InputError(f"there is no job {options.job_id!r} in the ledger.") from None
        verdict = job.measured.verdict
        known = shop.causes(_bay(options), catalogue.read(ledger), ledger, job)
    settles = known.settles if verdict == "undecided" else ()
    lines = [f"{c.certainty} ({c.weight:.2f})  {c.kind}: {c.text}" for c in known.causes]
    lines += [f"to settle it: {text}" for text in settles]
    columns = "kind certainty weight text".split()
    text = "\n".join(lines) or "nothing out of the ordinary"
    causes = [cause.to_dict() for cause in known.causes]
    return _print(options, {"causes": causes, "settled_by": settles}, causes, columns, text)
