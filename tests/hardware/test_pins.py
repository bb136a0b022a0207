from dataclasses import replace
from typing import Any

import pytest

from hardware.errors import HardwareError, PinFaults
from hardware.pins import PinMap


def test_the_plan_as_delivered_has_no_fault() -> None:
    PinMap().check()
    assert PinMap().faults() == []


def test_a_part_that_is_not_fitted_needs_no_pin() -> None:
    plan = PinMap(meter_b=None, lamp=None, buzzer=None, stop_sense=None, one_wire=None)
    plan.check()
    assert set(plan.used()) == {"pan_dout", "pan_sck", "meter", "pump", "pendant"}


def test_pin_zero_is_a_pin() -> None:
    assert PinMap(pan_dout=0).used()["pan_dout"] == 0
    assert PinMap(pan_dout=0, pendant=0).faults()


def test_one_pin_for_two_names_both_owners() -> None:
    with pytest.raises(PinFaults, match="pin 17 is given to both meter and pendant; give pendant a free pin"):
        PinMap(meter=17, pendant=17).check()


@pytest.mark.parametrize("owner", ["pump", "lamp", "buzzer"])
def test_an_output_that_must_be_off_at_boot_needs_a_pulled_down_pin(owner: str) -> None:
    for number in (2, 8):
        moved = PinMap(one_wire=None, pan_dout=10, pan_sck=11)
        [fault] = replace(moved, **{owner: number}).faults()
        assert f"pin of {owner} is {number}, which is pulled up" in fault
        assert "move it to a free pin 9 to 27" in fault
    PinMap(**{owner: 9}).check()


@pytest.mark.parametrize("number", [0, 1])
def test_the_pins_of_a_boards_own_memory_are_nobodys(number: int) -> None:
    [fault] = PinMap(meter=number).faults()
    assert f"pin of meter is {number}, on which the Pi looks for a board's own memory" in fault


def test_no_output_is_where_a_console_writes() -> None:
    [fault] = PinMap(pump=14).faults()
    assert "which a serial console moves while the Pi boots" in fault
    assert PinMap(meter=14, pump=15).faults() == []


@pytest.mark.parametrize("number", [-1, 28, 40])
def test_a_number_off_the_header_is_refused(number: int) -> None:
    [fault] = PinMap(meter=number).faults()
    assert f"pin of meter is {number}; expected a BCM number 0 to 27" in fault


@pytest.mark.parametrize("number", ["17", 17.0, True])
def test_what_is_not_a_whole_number_is_refused(number: Any) -> None:
    [fault] = PinMap(meter=number).faults()
    assert f"pin of meter is {number!r}" in fault


def test_all_faults_are_reported_at_once() -> None:
    with pytest.raises(PinFaults) as caught:
        PinMap(meter=99, pendant=27, pump=3).check()
    assert len(caught.value.faults) == 3
    assert all(fault in str(caught.value) for fault in caught.value.faults)
    assert isinstance(caught.value, HardwareError)
    assert isinstance(caught.value, ValueError)
