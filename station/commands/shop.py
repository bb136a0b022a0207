"""The commands that read the shop's history."""

import argparse
import json
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from station.common.tabular import to_csv, to_text
from station.errors import InputError

DONE = 0
AUDIT_TABLES = (
    "day",
    "technician",
    "vehicle",
    "compartment",
    "fluid",
    "missing",
    "stock takes",
    "used fluid",
)
QUALITY_TABLES = ("fills", "subjects", "calibration")
"""As in station.shop.audit and station.learning.quality, which a command line that runs something else need not load."""
QUALITY_DAYS = 90


def add(commands: Any) -> None:
    """Add the commands to the command line's parser."""
    audit = command(
        commands, "audit", "where the fluid of a period went, with cost and the unexplained rest", _audit
    )
    audit.add_argument("--month", metavar="YYYY-MM", help="a calendar month (default: this one)")
    _period(audit)
    audit.add_argument("--by", choices=AUDIT_TABLES, default="day", help="what is listed (default: day)")

    quality = command(commands, "quality", "short, over and undecided fills, and control charts", _quality)
    _period(quality)
    quality.add_argument(
        "--list", choices=QUALITY_TABLES, default="fills", help="what --csv prints (default: fills)"
    )
    quality.add_argument(
        "--chart", nargs=2, metavar=("OF", "NAME"), help="one chart: bay, meter, technician …"
    )

    jobs = command(commands, "jobs", "closed and abandoned jobs, newest first", _jobs)
    jobs.add_argument("--limit", type=count, default=50, metavar="N", help="so many at most (default: 50)")
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

    command(commands, "expected", "expected fill of every compartment, and what it rests on", _expected)
    command(commands, "due", "next service of every compartment", _due)
    command(commands, "stock", "what every container should hold now", _stock)

    command(commands, "changes", "every change of a setting or a calibration, with its number", _changes)

    why = command(commands, "why", "likely causes of what a job came to", _why)
    why.add_argument("job_id")


def command(
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


def count(text: str) -> int:
    number = int(text)
    if number < 1:
        raise argparse.ArgumentTypeError(f"{number} is no number of jobs; expected 1 or more")
    return number


def _period(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--since", metavar="DATE", help="first day, such as 2026-03-01")
    parser.add_argument("--until", metavar="DATE", help="the day after the last one")


def bay_of(options: argparse.Namespace) -> Any:
    from station.given.config import demo_path, read_config

    return read_config(options.config if options.config is not None else demo_path())


@contextmanager
def ledger_of(options: argparse.Namespace, write: bool = False) -> Iterator[Any]:
    from station.record.archive import of_simulated_bay
    from station.record.ledger import Ledger

    path = options.ledger if options.ledger is not None else bay_of(options).ledger
    if not path.exists():
        raise InputError(f"{path}: no such ledger. Name it with --ledger.")
    ledger = Ledger(path, read_only=not write)
    try:
        if of_simulated_bay(ledger):
            print("note: this record is a simulated bay's.", file=sys.stderr)
        yield ledger
    finally:
        ledger.close()


def tell(
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
    from station.common.digits import litres
    from station.shop import audit, catalogue

    bay = bay_of(options)
    if options.month is not None and (options.since or options.until):
        raise InputError("--month and --since/--until were both given; name one of them.")
    if (options.since is None) != (options.until is None):
        raise InputError("--since and --until belong together; give both or neither.")
    if options.since is not None:
        since, until = audit.day(options.since, "--since"), audit.day(options.until, "--until")
    else:
        this_month = f"{days.today(bay.zone):%Y-%m}"
        since, until = audit.month(options.month if options.month is not None else this_month)
    with ledger_of(options) as ledger:
        books = audit.audit(ledger, since, until, catalogue.read(ledger), bay.country, bay.zone)
    columns, rows = books.table(options.by)
    text = f"{since} to {until}, dates in {books.time_zone} time, litres\n{to_text(rows, columns[:-1])}"
    if books.stock and options.by in audit.GROUPS:
        take_columns, takes = books.table("stock takes")
        text += f"\n\nStock takes\n{to_text(takes, take_columns[:-1])}"
    used = books.used
    text += f"\n\nUsed fluid: {litres(used.total_l, used.total_u95_l)}, {litres(used.collected_l, None)} collected"
    return tell(options, books.to_dict(), rows, columns, text)


def _quality(options: argparse.Namespace) -> int:
    from station.common import days
    from station.learning import quality
    from station.learning.charts import RULES
    from station.learning.fills import FILL_COLUMNS
    from station.shop import audit

    bay = bay_of(options)
    zone, today = bay.zone, days.today(bay.zone)
    until = audit.day(options.until, "--until") if options.until else f"{today + timedelta(days=1)}"
    start = date.fromisoformat(until) - timedelta(days=QUALITY_DAYS)
    since = audit.day(options.since, "--since") if options.since else f"{start}"
    with ledger_of(options) as ledger:
        if options.chart is not None:
            dimension, name = options.chart
            return _chart(options, quality.subject_chart(ledger, dimension, name, days.begins(until, zone)))
        content = quality.quality(
            ledger, since, until, zone, quality.LISTED if options.json else quality.MOST
        )
        due = quality.bay_due(ledger, bay.name, today, bay.pan_b is not None)
    fills, subjects, calibration = (quality.table(content, due, name, zone) for name in quality.TABLES)
    columns, rows = quality.table(content, due, options.list, zone)
    text = [
        f"{since} to {until}, dates in {content.time_zone} time, {content.jobs} closed jobs",
        to_text(fills[1], FILL_COLUMNS),
        "",
    ]
    text += [to_text(subjects[1], "dimension name jobs short over undecided recurring".split()), ""]
    text.append("Charts, in percent of what a fill should come to; what is signalled lately stands behind")
    for c in content.charts:
        text.append(
            f"{c.dimension} {c.name}: {c.chart.text} {'; '.join(RULES[rule] for rule in c.recent)}".rstrip()
        )
    text += ["", "Calibration", to_text(calibration[1], calibration[0])]
    whole = {**content.to_dict(), "calibration_due": calibration[1]}
    return tell(options, whole, rows, columns, "\n".join(text))


def _chart(options: argparse.Namespace, one: Any) -> int:
    from station.learning.quality import CHART_COLUMNS

    rows = one.points()
    text = f"{one.chart.text}\n{to_text(rows, CHART_COLUMNS)}"
    return tell(options, one.to_dict(), rows, CHART_COLUMNS, text)


def _jobs(options: argparse.Namespace) -> int:
    from station.record.finding import wanted
    from station.record.ledger import JOB_COLUMNS

    names = (options.vehicle, options.technician, options.container, options.outcome)
    asked = wanted(" ".join(options.words), *names, options.first_day, options.last_day, bay_of(options).zone)
    with ledger_of(options) as ledger:
        rows = [row.told() for row in ledger.jobs(options.limit, options.before, asked)]
    shown = (
        "job_id opened_utc vehicle compartment technician expected_fill_l drained_l filled_l verdict".split()
    )
    return tell(options, {"jobs": rows}, rows, JOB_COLUMNS, to_text(rows, shown))


def _expected(options: argparse.Namespace) -> int:
    from station.learning import expected
    from station.shop import catalogue, offered

    config = bay_of(options)
    with ledger_of(options) as ledger:
        compartments = offered.merged(config, catalogue.read(ledger)).compartments.values()
        rows = expected.overview(ledger, compartments, config.country)
    return tell(options, {"expected": rows}, rows, expected.COLUMNS, to_text(rows, expected.COLUMNS))


def _due(options: argparse.Namespace) -> int:
    from station.common import days
    from station.shop import catalogue, due

    zone = bay_of(options).zone
    today = days.today(zone)
    with ledger_of(options) as ledger:
        rows = due.table(due.overview(ledger, catalogue.read(ledger), today, zone=zone), zone)
    text = f"{today}, dates in {days.zone_name(zone)} time\n{to_text(rows, due.COLUMNS[:-1])}"
    whole = {"today": f"{today}", "time_zone": days.zone_name(zone), "due": rows}
    return tell(options, whole, rows, due.COLUMNS, text)


def _stock(options: argparse.Namespace) -> int:
    from station.shop import catalogue, stock

    country = bay_of(options).country
    with ledger_of(options) as ledger:
        held = stock.contents(ledger, catalogue.read(ledger), country)
    rows = [content.to_dict() for content in held]
    return tell(options, {"stock": rows}, rows, stock.COLUMNS, to_text(rows, stock.COLUMNS))


def _changes(options: argparse.Namespace) -> int:
    from station.shop import changes

    with ledger_of(options) as ledger:
        rows = [one.to_dict() for one in changes.listed(ledger)]
    return tell(options, {"changes": rows}, rows, changes.COLUMNS, to_text(rows, changes.COLUMNS))


def _why(options: argparse.Namespace) -> int:
    from station.record import archive
    from station.shop import catalogue, shop

    with ledger_of(options) as ledger:
        try:
            job = archive.job(ledger, options.job_id)
        except KeyError:
            raise InputError(f"there is no job {options.job_id!r} in the ledger.") from None
        verdict = job.measured.verdict
        known = shop.causes(bay_of(options), catalogue.read(ledger), ledger, job)
    settles = known.settles if verdict == "undecided" else ()
    lines = [f"{c.certainty} ({c.weight:.2f})  {c.kind}: {c.text}" for c in known.causes]
    lines += [f"to settle it: {text}" for text in settles]
    columns = "kind certainty weight text".split()
    text = "\n".join(lines) or "nothing out of the ordinary"
    causes = [cause.to_dict() for cause in known.causes]
    return tell(options, {"causes": causes, "settled_by": settles}, causes, columns, text)
