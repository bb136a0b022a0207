"""A container weighed by hand: typed in the job, told in the record, and the same figures from the exported files."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from hardware.sample import Sample
from station.common.evolve import evolve
from station.core import container
from station.core.container import Weighed
from station.core.notice import Notice
from station.core.state import BayState
from station.core.step import LedgerEvent, step
from station.errors import InputError
from station.figures import balance
from station.filling.drum import Drum
from station.given.evidence import ContainerWeighing
from station.given.job import read_job
from station.record import archive
from station.record.ledger import Ledger, now
from tests.station.figures.test_witnesses import fill

BEFORE, AFTER, U = 58.400000000000006, 55.85, 0.0115


def typed(state: BayState, which: str, kg: float, u_kg: float = U) -> tuple[BayState, list[str]]:
    """The state after a technician typed it, and what stands in the record of it."""
    source, text = container.ask(state, which, kg, u_kg)
    after, effects = step(state, Sample(state.t_s, source, text))
    assert not any(isinstance(e, Notice) for e in effects)
    return after, [e.text for e in effects if isinstance(e, LedgerEvent) and e.kind == "container_weighed"]


def both(state: BayState) -> tuple[BayState, list[str]]:
    first, told = typed(state, "before", BEFORE)
    second, more = typed(first, "after", AFTER)
    return second, told + more


def test_what_was_typed_speaks_as_a_witness_like_a_weighing_of_the_file() -> None:
    here, _ = both(fill(2.9))
    filed = fill(2.9, container=ContainerWeighing(BEFORE, AFTER, U))
    assert balance.report(here) == balance.report(filed)
    assert "container" in [w.name for w in balance.report(here).witnesses]
    alone, _ = typed(fill(2.9), "before", BEFORE)
    assert "container" not in [w.name for w in balance.report(alone).witnesses]


def test_the_exported_file_gives_the_weighings_to_the_last_digit(tmp_path: Path) -> None:
    spec = fill(2.9).spec
    _, texts = both(fill(2.9))
    ledger = Ledger(tmp_path / "l.sqlite")
    ledger.append("j1", "job_open", {**spec.to_table(), "backend": "pi"}, now(0.0))
    for text in texts:
        ledger.append("j1", "container_weighed", {"text": text}, now(0.0))
    path = tmp_path / "JOB.toml"
    path.write_text(archive.job_toml(ledger, "j1"), encoding="utf-8")
    assert read_job(path).container == ContainerWeighing(BEFORE, AFTER, U)
    ledger.append("j1", "container_weighed", {"text": container.in_words(None)}, now(0.0))
    path.write_text(archive.job_toml(ledger, "j1"), encoding="utf-8")
    assert read_job(path).container is None
    ledger.close()


def test_a_first_weighing_typed_anew_waits_for_its_second() -> None:
    state, _ = both(fill(2.9))
    again, texts = typed(state, "before", 60.0)
    assert texts == ["before 60.0 kg, u 0.0115 kg"]
    assert container.weighed(again) is None
    assert container.weighed(typed(again, "after", 57.4, 0.02)[0]) == Weighed(60.0, 57.4, 0.02)


def test_another_container_at_the_pump_ends_what_was_typed() -> None:
    state, _ = both(fill(2.9))
    for name in ("drum 1", "drum 1"):
        state, _ = step(state, Sample(state.t_s, "drum", Drum(name, "gear", "75W-90", 20.0).to_text()))
        assert container.weighed(state) is not None
    state, effects = step(state, Sample(state.t_s, "drum", Drum("drum 2", "gear", "75W-90", 20.0).to_text()))
    assert container.weighed(state) is None
    assert LedgerEvent("container_weighed", state.t_s, container.in_words(None)) in effects


def on_scale(state: BayState) -> BayState:
    return replace(state, fill=replace(state.fill, container_before_kg=58.0))


def first(state: BayState) -> BayState:
    return typed(state, "before", BEFORE)[0]


def dry(state: BayState) -> BayState:
    return replace(first(state), meter=replace(state.meter, pulses=0))


@pytest.mark.parametrize(
    ("given", "which", "kg", "u_kg", "words"),
    [
        (fill, "between", 58.0, U, "no weighing of the container"),
        (on_scale, "before", 58.0, U, "A scale stands under the container"),
        (fill, "before", 0.0, U, "above zero"),
        (fill, "before", 58.0, 20.0, "The scale's division"),
        (fill, "after", AFTER, U, "First enter what the scale showed before"),
        (dry, "after", AFTER, U, "Nothing has been pumped yet"),
        (first, "after", 59.0, U, "heavier than 58.4 kg before it"),
        (first, "after", 26.0, U, "same container, and the same unit"),
    ],
)
def test_nonsense_is_refused_with_a_sentence(
    given: Callable[..., BayState], which: str, kg: float, u_kg: float, words: str
) -> None:
    state = fill(2.9) if given is fill else given(fill(2.9))
    with pytest.raises(InputError, match=words):
        container.ask(state, which, kg, u_kg)


@pytest.mark.parametrize(
    "text", ["", "before", "before x 0.02", "before -1 0.02", "after 1 0.02", "before 1 nan"]
)
def test_a_stream_that_says_nonsense_changes_nothing(text: str) -> None:
    state: Any = fill(2.9)
    after, effects = step(state, Sample(state.t_s, container.SOURCE, text))
    assert after.said == state.said
    assert effects == ()


def scaled(kg: float) -> tuple[BayState, list[Notice]]:
    """The state after the scale under the container showed 58.4 kg before the fill, and kg after it."""
    state = fill(2.9)
    state = evolve(state, fill=evolve(state.fill, container_before_kg=58.4, container_after_kg=kg))
    after, effects = step(state, Sample(1.0, "tick", 1.0))
    return after, [effect for effect in effects if isinstance(effect, Notice)]


def test_a_container_that_grew_is_another_one_and_speaks_no_more() -> None:
    sound, quiet = scaled(55.85)
    assert "container" in [w.name for w in balance.report(sound).witnesses]
    assert quiet == []
    swapped, told = scaled(61.2)
    assert "container" not in [w.name for w in balance.report(swapped).witnesses]
    assert [notice.kind for notice in told] == ["container_grew"]
    assert told[0].text.startswith("58.40 kg before the fill, 61.20 kg since.")
    assert not told[0].stops
