"""No sentence that a person reads is made past the catalogue: shown in a language of marks, and on the source itself."""

import ast
import re
import string
from collections.abc import Callable, Iterator
from dataclasses import replace
from gettext import NullTranslations
from pathlib import Path

import pytest

from hardware.sample import Sample
from station.bay import checklist
from station.common import words
from station.common.words import SOURCE, Spoken, _
from station.core import devices, interlocks
from station.core.interlock_table import TABLE
from station.core.replay import replay
from station.core.state import BayState
from station.core.step import step
from station.figures import balance
from station.given import recording
from station.given.job import read_job
from station.given.pump_run import PumpRun
from station.given.report import Report
from station.given.said import Mark
from station.given.stages import Stage
from station.learning import asking, mixup
from station.learning.condition import METAL, SMELLS, picked
from station.learning.condition import findings as looks
from station.learning.reason import reason
from station.learning.settling import what_settles
from station.learning.why import Previous, causes
from tests.golden import DATA
from tests.station.figures.test_witnesses import fill
from tests.station.learning.test_reason import FULL, SHORT
from tests.station.learning.test_why import FACTS

ROOT = Path(__file__).parents[2]
OPEN, SHUT = "⟦", "⟧"
SIGNS = frozenset("L mL g kg s h min km mi m °C mm mm² mL/h L/min g/s U95 K OIML".split())
"""Units and symbols, which are the same in every language."""


class Marked(NullTranslations):
    """Says every message with each piece of it in marks; what fills its blanks is left bare."""

    def gettext(self, message: str) -> str:
        if OPEN in message:  # it has been said already
            return message
        said = ""
        for text, name, spec, how in string.Formatter().parse(message):
            said += f"{OPEN}{text}{SHUT}" if text else ""
            if name is not None:
                said += f"{{{name}{'!' + how if how else ''}{':' + spec if spec else ''}}}"
        return said

    def ngettext(self, msgid1: str, msgid2: str, n: int) -> str:
        return self.gettext(msgid1 if n == 1 else msgid2)


@pytest.fixture(autouse=True)
def marked() -> Iterator[None]:
    words.use(Spoken("xx", Marked()))
    yield
    words.speak(SOURCE)


def bare(text: str) -> list[str]:
    """Words outside the marks that are no unit."""
    outside = re.sub(f"{OPEN}[^{OPEN}{SHUT}]*{SHUT}", " ", text)
    return [word for word in re.findall(r"[^\W\d_][^\s()±;:,.]*", outside) if word not in SIGNS]


def state(stage: Stage = Stage.FILL) -> BayState:
    return replace(BayState(read_job(DATA / "bus7_axle.toml")), stage=stage)


def told(report: Report) -> Iterator[str]:
    yield from (notice.text for notice in report.notices)
    yield from (
        text for text in (report.verdict_text, report.leak_text, report.narrows, report.wrong_fill) if text
    )
    for row in report.witnesses:
        yield _(row.word)
        yield row.settles


def of_interlocks() -> Iterator[str]:
    for kind, lock in TABLE.items():
        yield interlocks.text(kind, "")
        yield _(lock.word)


def of_devices() -> Iterator[str]:
    for source, remedies in (
        ("pan", devices._REMEDY),
        ("pump", devices._PUMP_REMEDY),
        ("guard", {"odd": ""}),
    ):
        for word in remedies:
            after, _effects = step(state(), Sample(1.0, f"{source}_state", word))
            yield from (notice.text.replace("odd", "") for notice in after.telling.notices)


def of_a_recording() -> Iterator[str]:
    spec, rows = read_job(DATA / "bus7_axle.toml"), recording.read(DATA / "bus7_axle.csv")
    yield from told(balance.report(replay(spec, rows)))
    gone = [row for row in rows if row.source not in ("fluid_supply_c", "mark")]
    yield from told(balance.report(replay(spec, gone)))


def of_witnesses() -> Iterator[str]:
    for metered_l in (2.2, 2.86, 3.6):
        for over_l in (0.0, 0.05):
            for seen in (False, True):
                for capacity_l in (2.9, 1.4):
                    yield from told(balance.report(fill(metered_l, over_l, seen, capacity_l=capacity_l)))


def of_checklists() -> Iterator[str]:
    for stage in Stage:
        now = state(stage)
        yield from (_(item.text) for item in checklist.items(now))
        for following in checklist.next_marks(now, frozenset()):
            yield from (following.label, following.why or "")
    now, _effects = step(state(Stage.PLAN), Sample(1.0, "mark", Mark.PAN_PLACED))
    yield from (one.label for one in checklist.next_marks(now, frozenset()))


def of_reasons() -> Iterator[str]:
    late = (PumpRun(900.0, 1.9, 1.92, 2.87, "pump stuck"),)
    for outcome in (
        SHORT,
        replace(
            SHORT, topped_up=True, leak_found=True, leak_text=_("No leak above {ceil} mL/h.").format(ceil=4)
        ),
        replace(SHORT, stage="abandoned", filled_l=None),
        replace(SHORT, stage="abandoned"),
        replace(SHORT, wrong_fill=_("wrong grade")),
        replace(FULL, filled_l=None),
        replace(FULL, filled_l=None, drained_l=None),
        replace(FULL, leak_found=True, leak_text=_("No leak above {ceil} mL/h.").format(ceil=4)),
        replace(
            FULL,
            leak_unsure=True,
            leak_text=_("Either something in the pan stopped drying, or up to {ceil} mL/h leak.").format(
                ceil=4
            ),
        ),
        replace(FULL, verdict="over", filled_l=3.1, overflow_l=0.2, overflow_u95_l=0.01),
        replace(FULL, verdict="undecided", level_seen=False, leak_watched_s=None),
        replace(FULL, verdict="undecided", filled_l=2.9, pump_runs=late[:0]),
        replace(FULL, level_seen=False, leak_watched_s=4.0),
    ):
        found = reason(outcome)
        assert found is not None
        yield found.text


def of_causes() -> Iterator[str]:
    worn = picked("black", "burnt", "flakes")
    before = Previous("2026-03-01T09:00:00.000+00:00", "full", 2.6, 0.006, 2.87, 4000.0)
    for facts in (
        replace(FACTS, drained_l=2.30),
        replace(FACTS, drained_l=2.60, previous=before, condition=worn, interval_km=80_000.0),
        replace(FACTS, drained_l=2.60, filled_l=2.61, metered_l=2.61),
        replace(FACTS, filled_l=2.60, metered_l=2.60),
        replace(FACTS, filled_l=3.20, metered_l=3.20),
        replace(FACTS, overflow_l=0.25, filled_l=2.62, metered_l=2.87, level_seen=False),
        replace(FACTS, notice_kinds=frozenset({"air"})),
        replace(FACTS, u_filled_l=0.06, still_to_come_l=0.3, level_seen=False),
        replace(FACTS, filled_l=2.78, level_seen=False),
    ):
        yield from (cause.text for cause in causes(facts) if cause.kind != "unit_mixup")
        yield from what_settles(facts)
    asked = asking.drained_question(3.9, 0.01, 2.87, 0.02)
    assert asked is not None
    yield asked.text
    found = mixup.find("US quart", 2.84, 2.84, 0.02, [mixup.Figure("drained", 1.42, 0.01)])
    assert found is not None
    yield found.text
    for metal in METAL:
        for smell in SMELLS:
            yield from looks(picked("black", smell, metal, milky=True))


@pytest.mark.parametrize(
    "said",
    [of_interlocks, of_devices, of_a_recording, of_witnesses, of_checklists, of_reasons, of_causes],
    ids=lambda said: said.__name__,
)
def test_every_word_of_what_the_station_says_comes_from_the_catalogue(
    said: Callable[[], Iterator[str]],
) -> None:
    texts = [text for text in said() if text]
    assert len(texts) > 3
    assert {text: bare(text) for text in texts if bare(text)} == {}


def test_a_word_around_the_catalogue_is_seen() -> None:
    assert bare(f"{OPEN}Pan{SHUT}: stuck. 2.8 L {OPEN}drained{SHUT}") == ["stuck"]
    assert bare(_("{volume_l} L by the {witness}").format(volume_l="2.80", witness=_("meter"))) == []


ROOMS = ("weighing", "filling", "core", "figures", "learning", "shop", "calibrating", "bay", "people")
TELLS = frozenset(
    "note Notice Finding Question InputError Asked Refused Check Next Told Reason _sentence _cause".split()
)
"""What hands a sentence to a person."""
TERMINAL = (
    "bay/doctor.py",
    "bay/bench_check.py",
    "bay/office.py",
    "bay/fitness.py",
    "people/store.py",
    "people/certificate.py",
    "people/entrance.py",
)
"""Modules whose refusals are read at the terminal before the pages are served."""
SAYS = frozenset({"_", "N_", "ngettext"})


def unsaid(tree: ast.AST) -> Iterator[ast.expr]:
    """Sentences that are handed to a person without the catalogue."""

    def texts(node: ast.AST) -> Iterator[ast.expr]:
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in SAYS:
            return
        if isinstance(node, ast.JoinedStr):
            letters = "".join(str(part.value) for part in node.values if isinstance(part, ast.Constant))
            if re.search(r"[^\W\d_]{2,} |[^\W\d_]{4,}", letters):
                yield node
            return
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and re.search(r"\w \w", node.value):
            yield node
        for child in ast.iter_child_nodes(node):
            yield from texts(child)

    for call in ast.walk(tree):
        name = getattr(call.func, "attr", getattr(call.func, "id", "")) if isinstance(call, ast.Call) else ""
        if isinstance(call, ast.Call) and name in TELLS:
            for argument in (*call.args, *(keyword.value for keyword in call.keywords)):
                yield from texts(argument)


@pytest.mark.parametrize("room", ROOMS)
def test_no_sentence_is_handed_over_past_the_catalogue(room: str) -> None:
    found = []
    for path in sorted((ROOT / "station" / room).rglob("*.py")):
        if not str(path).endswith(TERMINAL):
            tree = ast.parse(path.read_text(encoding="utf-8"))
            found += [f"{path.name}:{node.lineno}: {ast.unparse(node)}" for node in unsaid(tree)]
    assert found == []


def test_a_sentence_past_the_catalogue_is_seen() -> None:
    planted = 'note(state, "kind", f"Pan: {count} is too much. Take load off.")\nnote(state, "kind", _("All is well."))\n'
    assert len(list(unsaid(ast.parse(planted)))) == 1
