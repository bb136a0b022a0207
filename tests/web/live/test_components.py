"""The page of the pages' parts: whole, living, and on a simulated bay only."""

import html
import re
from collections.abc import Callable

from tests.web.conftest import Bay
from tests.web.fake_engine import FakeEngine
from web.frame.render import HERE
from web.live.components import COMPONENTS

TEMPLATES = HERE / "templates"
SOURCES = " ".join(component.source for component in COMPONENTS)


def test_every_shared_part_is_shown_once_and_a_new_one_is_missed() -> None:
    pages = [path.read_text() for path in TEMPLATES.glob("[!_]*.html") if path.name != "components.html"]
    for part in TEMPLATES.glob("_*.html"):
        users = sum(f'"{part.name}"' in page for page in pages)
        if users > 1:
            assert f'"{part.name}"' in SOURCES, (
                f"{part.name} is used by {users} pages; show it in components.py"
            )
    for shared in ("_parts.html", "_live.html", "_list.html", "_entered.html", "_fills.html"):
        for macro in re.findall(r"{% macro (\w+)", (TEMPLATES / shared).read_text()):
            assert re.search(rf"\b{macro}\(", SOURCES), f"{shared}: {macro} is not shown in components.py"
    assert len({component.source for component in COMPONENTS}) == len(COMPONENTS)


def test_the_page_draws_each_with_its_source_and_when_to_use_it(bay: Bay) -> None:
    text = html.unescape(bay.html("/components").text)
    assert text.count('class="component"') == len(COMPONENTS)
    for component in COMPONENTS:
        assert component.name in text
        assert component.when in text
        assert component.source in text


def test_a_real_bay_has_no_such_page(open_bay: Callable[..., Bay]) -> None:
    assert open_bay(FakeEngine(backend="pi")).html("/components").status_code == 404


def test_every_figure_of_the_bays_page_leads_to_what_stands_behind_it(bay: Bay) -> None:
    text = bay.html("/").text
    led = set(re.findall(r'class="why" href="#(about-\w+)"', text))
    assert led <= set(re.findall(r'id="(about-\w+)"', text))
    assert led == {f"about-{name}" for name in ("figures", "drained", "to_come", "expected", "filled", "overflow", "to_go", "leak")}  # fmt: skip
