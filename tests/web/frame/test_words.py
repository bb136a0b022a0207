"""The pages in the shop's language: nothing on them is said around the catalogue, and each of them stands in each language."""

import ast
import json
import re
import string
from calendar import month_abbr, month_name
from collections.abc import Callable, Iterator, Mapping
from functools import cache
from gettext import NullTranslations
from html.parser import HTMLParser
from pathlib import Path

import pytest

from station.common import words
from station.common.words import DOMAINS, SOURCE, Spoken, languages
from station.given.recording import MARKS
from tests.catalogue import extracted, forms
from tests.web import conftest, fake_desks, fake_engine, fake_views, serving
from tests.web.conftest import Bay
from tests.web.fake_engine import FakeEngine
from tests.web.fake_views import view_of
from tests.web.frame.test_gate import READS
from tests.web.jobs.test_pages import STAGES
from tests.web.serving import DESKS
from web.frame import format as fmt
from web.frame.amounts import plain
from web.frame.render import ENVIRONMENT

ROOT = Path(__file__).parents[3]
TOLD = (
    "title",
    "aria-label",
    "placeholder",
    "alt",
    "data-label",
    "data-new",
    "data-known",
    "data-back",
    "data-calm",
)
"""Attributes that a person reads or hears."""
SILENT = ("script", "style", "pre", "code")
SIGNS = frozenset(
    "Tallypan CSV JSON TOML JOB JOB.toml PDF PIN UTC SHA U95 OIML EWMA Letter L mL g kg s h min d km mm m K N Nm lbf ft u n k x z C EUR US pt".split()
)
"""Units, symbols and names of formats, which are the same in every language."""
MADE = re.compile(rf"[\da-f ]{{12,}}|Bus \d+|(?:{'|'.join([*month_name[1:], *month_abbr[1:]])}) (?:\d\d)+")
"""Data that the double puts together: check sums, names, and months as English has them."""
MARK = re.compile(r"⟦[^⟦⟧]*(?:⟧|$)")


@cache
def known() -> frozenset[str]:
    """Every message of the catalogue. Read from the whole source, so not by every process that only finds the tests."""
    return frozenset(form for domain in DOMAINS for one in extracted(domain) for form in forms(one.id))


class Marked(NullTranslations):
    """Says every message of the catalogue with each piece of it in marks, and leaves alone what is no message."""

    def gettext(self, message: str) -> str:
        if message not in known():
            return message
        pieces = []
        for text, name, spec, how in string.Formatter().parse(message):
            blank = (
                ""
                if name is None
                else "{" + name + (f"!{how}" if how else "") + (f":{spec}" if spec else "") + "}"
            )
            pieces.append((f"⟦{text.replace('{', '{{').replace('}', '}}')}⟧" if text else "") + blank)
        return "".join(pieces)

    def ngettext(self, msgid1: str, msgid2: str, n: int) -> str:
        return self.gettext(msgid1 if n == 1 else msgid2)


class Said(HTMLParser):
    """What a page says, in its texts and in its attributes. What states another language of its own is left out."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.told: list[str] = []
        self.silent: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        named = dict(attrs)
        if self.silent:
            self.silent += [tag] if tag == self.silent[0] else []
            return
        if tag in SILENT or ("lang" in named and tag != "html"):
            self.silent.append(tag)
            return
        self.told += [text for name, text in attrs if name in TOLD and text]

    def handle_endtag(self, tag: str) -> None:
        if self.silent and tag == self.silent[-1]:
            self.silent.pop()

    def handle_data(self, data: str) -> None:
        if not self.silent and data.strip():
            self.told.append(" ".join(data.split()))


def literals() -> str:
    """Every text that the double of the engine is made of: names, vehicles, fluids, and sentences that the station would say."""
    files = [
        Path(str(module.__file__)) for module in (fake_engine, fake_views, fake_desks, serving, conftest)
    ]
    files.append(ROOT / "station" / "people" / "people.py")
    files += sorted((ROOT / "tests" / "station").rglob("test_density_desk.py"))
    texts = [
        node.value
        for path in files
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    ]
    texts.append((ROOT / "station" / "demo_bay.toml").read_text(encoding="utf-8"))
    return "\n".join(" ".join(text.split()) for text in texts).casefold()


def unsaid(text: str, data: str) -> list[str]:
    """Pieces of a text with letters that are in no marks, no sign of every language and no data."""
    found = []
    for piece in re.split(r"[|·,;:()…]|\. | – |\s{2,}", MARK.sub("|", text)):
        if MADE.fullmatch(piece.strip()):
            continue
        rest = [word for word in re.findall(r"[^\W\d_][\w'’.\-]*", piece) if word.strip(".") not in SIGNS]
        if rest and " ".join(piece.split()).strip(" .").casefold() not in data:
            found.append(piece.strip())
    return found


@pytest.fixture
def speaking() -> Iterator[Callable[[Spoken], None]]:
    yield words.use
    words.speak(SOURCE)


@pytest.fixture
def crowd(open_bay: Callable[..., Bay]) -> Callable[[], Iterator[tuple[str, str]]]:
    """Every page there is, and those that look otherwise in each stage: address and HTML."""

    def pages() -> Iterator[tuple[str, str]]:
        bay = open_bay(FakeEngine(jobs=3))
        tables = [
            f"/setup?table={name}"
            for name in ("compartment", "fluid", "container", "technician", "price", "shop")
        ]
        for path in (*READS, *tables, "/nowhere"):
            reply = bay.html(path)
            if reply.headers["content-type"].startswith("text/html"):
                yield path, reply.text
        for desk in DESKS.values():
            bay.engine.calibrations.current = desk
            yield "/calibration", bay.html("/calibration").text
        for stage in STAGES:
            for path in ("/", "/wall"):
                yield f"{path} in {stage}", open_bay(FakeEngine(view_of(stage))).html(path).text

    return pages


def test_no_page_says_anything_around_the_catalogue(
    crowd: Callable[[], Iterator[tuple[str, str]]], speaking: Callable[[Spoken], None]
) -> None:
    speaking(Spoken(SOURCE, Marked()))
    data, seen = literals(), 0
    wrong: dict[str, str] = {}
    for path, html in crowd():
        for text in Said(html).told:
            seen += 1
            for piece in unsaid(text, data):
                wrong.setdefault(piece, path)
    assert seen > 3000
    assert wrong == {}


@pytest.mark.parametrize("language", [one for one in languages() if one != SOURCE])
def test_every_page_stands_in_the_language(
    language: str, crowd: Callable[[], Iterator[tuple[str, str]]], speaking: Callable[[Spoken], None]
) -> None:
    words.speak(language)
    for path, html in crowd():
        assert f'<html lang="{language}"' in html, path


def test_what_is_said_around_the_catalogue_is_seen() -> None:
    html = '<p title="Hint">Left <b>⟦Filled⟧ 2.84 ± 0.01 L</b></p><p lang="en">As it is</p>'
    assert [unsaid(text, "m. okafor") for text in Said(html).told] == [["Hint"], ["Left"], []]


def test_markup_that_fills_a_blank_stays_and_all_else_is_escaped() -> None:
    source = (
        '{{ _("{name}, again").format(name=name) }}{{ _("{name}, again").format(name=tagged("b", name)) }}'
    )
    html = ENVIRONMENT.from_string(source).render(name="<i>")
    assert html == "&lt;i&gt;, again<b>&lt;i&gt;</b>, again"


NUMBERS: Mapping[str, str] = {
    "2,9 L": "2.9 L",
    "2.9 L": "2.9 L",
    "0.500 L": "0.500 L",
    "1234.5 L": "1234.5 L",
    "9 1/2 US pt": "9 1/2 US pt",
}


@pytest.mark.parametrize("typed", NUMBERS)
def test_a_comma_is_read_where_the_language_writes_it(typed: str, speaking: Callable[[Spoken], None]) -> None:
    words.speak("de")
    assert plain("Volumen", typed) == NUMBERS[typed]


@pytest.mark.parametrize("typed", ["1.234 L", "1.234,5 L", "12.345.678 L"])
def test_a_number_that_could_be_two_is_asked_back(typed: str, speaking: Callable[[Spoken], None]) -> None:
    assert plain("Volume", typed) == typed  # in English a point stands before decimals, and nothing is asked
    words.speak("de")
    with pytest.raises(ValueError, match=r"Volumen: \S+ lässt sich als zwei Zahlen lesen"):
        plain("Volumen", typed)


def test_a_volume_is_listed_with_its_unit_in_the_shops_language(speaking: Callable[[Spoken], None]) -> None:
    typed = ("6.2 imperial pint", "9 1/2 US quart", "2.9 L", "700 mL")
    assert [fmt.listed(text) for text in typed] == list(typed)
    words.speak("de")
    assert [fmt.listed(text) for text in typed] == ["6,2 Imperial-Pint", "9 1/2 US-Quart", "2,9 L", "700 mL"]


def test_a_plan_is_read_as_the_language_writes_it(bay: Bay, speaking: Callable[[Spoken], None]) -> None:
    words.speak("de")
    assert 'placeholder="0,10 L"' in bay.html("/").text
    typed = {"compartment": "", "vehicle": "Bus 12", "capacity": "2,9 L", "technician": "M. Okafor"}
    assert bay.post("/api/job", {**typed, "tolerance_minus": "0,10 L"}).status_code == 200
    ((_, form),) = bay.engine.calls
    assert (form.capacity, form.tolerance_minus) == ("2.9 L", "0.10 L")
    assert (
        bay.post("/api/job", {**typed, "capacity": "1.234 L"})
        .json()["text"]
        .startswith("Eingetragene Füllmenge:")
    )


def test_terms_of_a_budget_and_marks_of_the_record_are_messages() -> None:
    budgets = json.loads((ROOT / "tests/data/golden/rehearse_1.json").read_text())["budgets"].values()
    pieces = {piece for budget in budgets for term in budget["terms"] for piece in term["name"].split(": ")}
    assert len(pieces) > 10
    assert (pieces | {mark.replace("_", " ") for mark in MARKS}) - known() == set()
