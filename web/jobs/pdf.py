"""A page as a PDF, made by WeasyPrint in a process of its own.

WeasyPrint and the fonts it loads take some hundred megabytes, and a page some seconds: the service never imports it, and
the process that does is gone when its page is done. It is nice to everybody else, and reaches for nothing but the pages'
own style sheets.
"""

import argparse
import os
import subprocess
import sys
import threading
from importlib.util import find_spec
from mimetypes import guess_type
from pathlib import Path
from typing import Literal, get_args
from urllib.parse import urlsplit

from station.common.words import N_, _
from station.errors import StationError

HERE = Path(__file__).parents[1]
Paper = Literal["a4", "letter"]
PAPERS: tuple[Paper, ...] = get_args(Paper)
LIMIT_S = 90.0
"""A Pi 3 takes some ten times as long as a desk's computer, which takes two seconds."""
NICE = 15
SITE = "https://sheet.invalid"
"""What the child calls the pages' own site; nothing is ever asked of it."""
MISSING = 3
"""Exit status of the process where WeasyPrint, or a library that it needs, is not there."""
HOW = N_(
    "Making a PDF needs WeasyPrint in the station's environment (its extra \"pdf\") and Debian's Pango: sudo apt install "
    "libpango-1.0-0 libpangoft2-1.0-0. Or print the page from the browser."
)
_one_at_a_time = threading.Lock()


def pdf_of(html: str, paper: Paper) -> bytes:
    """The page on paper. Raises StationError where WeasyPrint is missing, fails or takes too long."""
    if find_spec("weasyprint") is None:
        raise StationError(_(HOW))
    if not _one_at_a_time.acquire(timeout=LIMIT_S):
        raise StationError(_("Another PDF is being made and takes long. Try again in a minute."))
    try:
        made = subprocess.run(
            [sys.executable, "-m", __name__, "--paper", paper],
            input=html.encode(),
            capture_output=True,
            timeout=LIMIT_S,
            cwd=HERE.parent,
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise StationError(
            _(
                "The PDF was not done after {limit:.0f} s and was given up. Print the page from the browser."
            ).format(limit=LIMIT_S)
        ) from None
    finally:
        _one_at_a_time.release()
    if made.returncode == MISSING:
        raise StationError(_(HOW))
    if made.returncode != 0:
        last = made.stderr.decode(errors="replace").strip().splitlines()[-1:]
        raise StationError(
            _("The PDF could not be made ({why}). Print the page from the browser.").format(
                why="".join(last)[:200]
            )
        )
    return made.stdout


def own_file(url: str) -> Path:
    """The pages' own file that an address means. Raises ValueError for any other address."""
    parts = urlsplit(url)
    file = (HERE / parts.path.lstrip("/")).resolve()
    if f"{parts.scheme}://{parts.netloc}" != SITE or not file.is_relative_to(HERE / "static"):
        raise ValueError(f"{url} is none of the pages' own files")
    return file


def main() -> int:
    """HTML on standard input, a PDF on standard output."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--paper", choices=PAPERS, required=True)
    paper = parser.parse_args().paper
    os.nice(NICE)
    try:
        from weasyprint import CSS, HTML
        from weasyprint.urls import URLFetcher, URLFetcherResponse
    except (ImportError, OSError):  # cffi says so where Pango's library is not there
        return MISSING

    refused: list[str] = []

    class OwnSheets(URLFetcher):  # type: ignore[misc]  # WeasyPrint states no types
        def fetch(self, url: str, headers: object = None) -> object:
            try:
                file = own_file(url)
            except ValueError as error:
                refused.append(str(error))
                raise
            kind = guess_type(file.name)[0] or "application/octet-stream"
            return URLFetcherResponse(url, file.read_bytes(), {"Content-Type": kind})

    page = HTML(string=sys.stdin.buffer.read().decode(), base_url=f"{SITE}/", url_fetcher=OwnSheets())
    size = CSS(string=f"@page {{ size: {paper}; }}")
    made = page.write_pdf(stylesheets=[size])
    if refused:  # without a style sheet it would come out all the same, and look it
        print(*refused, sep="; ", file=sys.stderr)
        return 1
    sys.stdout.buffer.write(made)
    return 0


if __name__ == "__main__":
    sys.exit(main())
