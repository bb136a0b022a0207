"""``tallypan sheet JOB``: a job's sheet as text, or on paper."""

import argparse
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

from station.errors import InputError

DONE = 0
PAPERS = ("a4", "letter")
"""As in web.jobs.pdf, which a command line that runs something else need not load."""


def add(commands: Any) -> None:
    """Add the command to the command line's parser."""
    sheet = commands.add_parser("sheet", help="a job's sheet as text, or with --pdf on two pages of paper")
    sheet.add_argument("job_id", metavar="JOB")
    sheet.add_argument("--pdf", type=Path, metavar="FILE", help="write it there as a PDF")
    sheet.add_argument("--paper", choices=PAPERS, default="a4", help="what the PDF is for (default: a4)")
    sheet.add_argument(
        "--config", type=Path, metavar="FILE", help="the bay's TOML file (default: the demo bay's)"
    )
    sheet.add_argument("--ledger", type=Path, metavar="FILE", help="another ledger than the bay's")
    sheet.set_defaults(run=_sheet)


def _sheet(options: argparse.Namespace) -> int:
    from station.bay.records import Kept
    from station.figures.sheet import text_sheet
    from station.given.config import demo_path, read_config

    config = read_config(options.config if options.config is not None else demo_path())
    kept = Kept(replace(config, ledger=options.ledger or config.ledger))
    if not kept.config.ledger.exists():
        raise InputError(f"{kept.config.ledger}: no such ledger. Name it with --ledger.")
    try:
        job = kept.job(options.job_id)
    except KeyError:
        raise InputError(f"there is no job {options.job_id!r} in the ledger; see tallypan jobs.") from None
    if options.pdf is None:
        at = datetime.fromisoformat(job.closed_utc or job.opened_utc).astimezone(kept.config.zone)
        named = (f"Job {job.job_id}", f"{at:%Y-%m-%d %H:%M}", job.labels.get("technician", ""))
        print(text_sheet(job.measured, job.labels, [" · ".join(one for one in named if one)]))
        return DONE
    from web.frame.render import render
    from web.jobs.pdf import pdf_of
    from web.jobs.sheet import sheet_page

    made = pdf_of(render("sheet.html", page=sheet_page(kept, job.job_id)), options.paper)
    try:
        options.pdf.write_bytes(made)
    except OSError as error:
        raise InputError(f"{options.pdf}: cannot be written ({error}).") from error
    print(f"{options.pdf}: {len(made)} bytes")
    return DONE
