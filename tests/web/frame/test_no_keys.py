"""A key of a file, such as ``gear_75w90``, is for files: nobody reads one on a page."""

import html
import re
from collections.abc import Callable

from tests.web.conftest import Bay
from tests.web.fake_engine import FakeEngine
from tests.web.fake_views import STAGE_VIEWS, view_of
from tests.web.frame.test_gate import READS

KEY = re.compile(r"\b[a-z][a-z0-9]*(?:_[a-z0-9]+)+\b")
SAID = re.compile(r'(?:aria-label|alt|title|placeholder|data-label)="([^"]*)"')
FOR_PROGRAMS = {"/components"}
"""Shows how templates are written, keys and all."""


def keys_on(page: str) -> set[str]:
    """What somebody could read of them, or have read out. What a certificate is signed as stands in a ``pre``, as in its file."""
    page = re.sub(r"(?s)<(script|style|pre)\b.*?</\1>", " ", page)
    return set(KEY.findall(html.unescape(" ".join([*SAID.findall(page), re.sub(r"<[^>]+>", " ", page)]))))


def test_no_key_reaches_a_page(open_bay: Callable[..., Bay]) -> None:
    found = {}
    for stage in ("idle", *STAGE_VIEWS):
        bay = open_bay(FakeEngine(view_of(stage)))
        for path in READS if stage == "idle" else ("/", "/wall"):
            reply = bay.html(path)
            if reply.headers["content-type"].startswith("text/html") and path not in FOR_PROGRAMS:
                found[f"{path} {stage}"] = keys_on(reply.text)
    assert len(found) > 30
    assert {where: keys for where, keys in found.items() if keys} == {}


def test_a_key_would_be_seen() -> None:
    assert keys_on('<p>No container of gear_75w90.</p><input placeholder="b12_rear_axle">') == {
        "gear_75w90",
        "b12_rear_axle",
    }
    assert keys_on('<option value="gear_75w90">Gear oil 75W-90</option><pre>kg_per_count</pre>') == set()
