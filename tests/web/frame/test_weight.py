"""What a page weighs on its way to an old phone, with all that it loads."""

import re

from tests.web.conftest import Bay
from tests.web.frame.test_gate import READS

MOST = 150_000
"""Bytes of a page on its first visit: about a second over a slow workshop network of 1.2 Mbit/s."""
LOADED = re.compile(r'(?:src|href)="(/static/[^"]+)"')
IMPORTED = re.compile(r'(?:from|import)\s*\(?"\./([^"]+)"')
SHORT = 1024
"""What is shorter is sent as it is: compressing it saves nothing."""


def _weighed(bay: Bay, path: str) -> tuple[int, str, str]:
    """Bytes on the wire, the text, its type. Whatever is longer than a packet comes compressed."""
    reply = bay.send("GET", path, headers={"Accept": "text/html", "Accept-Encoding": "gzip"})
    size = int(reply.headers["content-length"])
    assert size < SHORT or reply.headers["content-encoding"] == "gzip", path
    return size, reply.text, reply.headers["content-type"]


def test_every_page_with_its_scripts_weighs_at_most_150_kb(bay: Bay) -> None:
    """Held against the pages before they were compressed: the bay's 156 kB came whole."""
    files: dict[str, tuple[int, set[str]]] = {}

    def file(path: str) -> tuple[int, set[str]]:
        if path not in files:
            size, text, _ = _weighed(bay, path)
            files[path] = size, {f"/static/{name}" for name in IMPORTED.findall(text)}
        return files[path]

    heavy = {}
    for path in READS:
        size, text, kind = _weighed(bay, path) if "recording" not in path else (0, "", "")
        if not kind.startswith("text/html"):
            continue
        new, seen = set(LOADED.findall(text)), set[str]()
        while new:
            seen |= new
            new = {name for one in new for name in file(one)[1]} - seen
        heavy[path] = size + sum(file(one)[0] for one in seen)
    assert len(heavy) > 15
    assert max(heavy.values()) <= MOST, heavy
    assert max(heavy.values()) > MOST / 5, (
        "the chart's library alone is a third of it: is everything followed?"
    )


def test_a_browser_that_takes_nothing_compressed_gets_it_plain(bay: Bay) -> None:
    reply = bay.send("GET", "/", headers={"Accept": "text/html", "Accept-Encoding": "identity"})
    assert "content-encoding" not in reply.headers
