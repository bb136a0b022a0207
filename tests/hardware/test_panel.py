"""Pendant, stop sense, lamp and buzzer on gpiozero's mock pins."""

from collections.abc import Iterator
from typing import Any

import pytest
from gpiozero.exc import GPIOPinInUse
from gpiozero.pins.mock import MockFactory

from hardware.panel import Panel
from hardware.sample import Sample
from hardware.simulated.clock import VirtualClock
from tests.hardware.benches import Wait


@pytest.fixture
def factory() -> Iterator[MockFactory]:
    factory = MockFactory()
    yield factory
    factory.close()


@pytest.fixture
def samples() -> list[Sample]:
    return []


@pytest.fixture
def panel(factory: MockFactory, samples: list[Sample]) -> Iterator[Panel]:
    panel = Panel(samples.append, factory, 23, 27, 24, 25, VirtualClock(3.0))
    yield panel
    panel.close()


def values(samples: list[Sample], source: str) -> list[Any]:
    return [sample.value for sample in samples if sample.source == source]


def test_the_pendant_is_told_at_once_repeated_while_held_and_told_when_let_go(
    panel: Panel, factory: MockFactory, samples: list[Sample]
) -> None:
    panel.poll()
    panel.poll()
    assert values(samples, "pendant") == [0]
    factory.pin(23).drive_low()
    assert values(samples, "pendant") == [0, 1], "without waiting for a poll"
    panel.poll()
    panel.poll()
    assert values(samples, "pendant") == [0, 1, 1, 1]
    factory.pin(23).drive_high()
    panel.poll()
    assert values(samples, "pendant") == [0, 1, 1, 1, 0]
    assert {sample.t_s for sample in samples} == {3.0}


def test_an_open_stop_or_a_broken_wire_reads_as_open(
    panel: Panel, factory: MockFactory, samples: list[Sample]
) -> None:
    panel.poll()  # nothing wired: the pull-up wins
    assert values(samples, "stop_open") == [1]
    factory.pin(27).drive_low()
    panel.poll()
    assert values(samples, "stop_open") == [1, 0]
    factory.pin(27).drive_high()
    panel.poll()
    assert values(samples, "stop_open") == [1, 0, 1, 1]


def test_a_failing_receiver_does_not_reach_gpiozeros_thread(factory: MockFactory) -> None:
    def put(_sample: Sample) -> None:
        raise RuntimeError("the receiver failed")

    panel = Panel(put, factory, 23, clock=VirtualClock())
    factory.pin(23).drive_low()  # would raise here, and on a Pi end the notify thread
    with pytest.raises(RuntimeError):
        panel.poll()
    panel.close()


def test_lamp_patterns(panel: Panel, factory: MockFactory, wait_for: Wait) -> None:
    lamp = factory.pin(24)
    panel.set_lamp("on")
    assert lamp.state == 1
    panel.set_lamp("off")
    assert lamp.state == 0
    lamp.clear_states()
    panel.set_lamp("fast")
    wait_for(lambda: len(lamp.states) > 3)
    panel.set_lamp("off")
    assert lamp.state == 0
    with pytest.raises(ValueError, match="lamp pattern is 'purple'; expected one of off, on, slow, fast"):
        panel.set_lamp("purple")


def test_beeps(panel: Panel, factory: MockFactory, wait_for: Wait) -> None:
    buzzer = factory.pin(25)
    panel.beep(2)
    wait_for(lambda: [state.state for state in buzzer.states].count(1) == 2 and buzzer.state == 0)
    for n in (0, 11):
        with pytest.raises(ValueError, match=f"number of beeps is {n}; expected 1 to 10"):
            panel.beep(n)


def test_parts_that_are_not_fitted(factory: MockFactory, samples: list[Sample]) -> None:
    panel = Panel(samples.append, factory, 23, clock=VirtualClock())
    panel.poll()
    panel.set_lamp("on")
    panel.beep()
    panel.close()
    assert [sample.source for sample in samples] == ["pendant"]


def test_close_switches_off_and_frees_the_pins_also_after_a_failed_start(
    factory: MockFactory, samples: list[Sample]
) -> None:
    panel = Panel(samples.append, factory, 23, None, 24, None, VirtualClock())
    panel.set_lamp("on")
    panel.close()
    assert factory.pin(24).state == 0
    with pytest.raises(GPIOPinInUse):
        Panel(samples.append, factory, 23, None, 24, 23, VirtualClock())
    Panel(samples.append, factory, 23, None, 24, None, VirtualClock()).close()
