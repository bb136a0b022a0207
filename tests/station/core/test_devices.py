"""What a device says of itself: what stops the pump, what is only told, and what mends itself."""

import pytest

from station.core.control import blocked
from tests.soak.proofs import some_fill


def test_a_meter_that_bounces_stops_the_pump_with_its_remedy() -> None:
    fill = some_fill(3, target_l=3.0)
    fill.hold()
    fill.run(3.0)
    assert fill.contact
    fill.put("meter_state", "bouncing")
    fill.run(0.3)
    assert not fill.contact
    told = fill.state.telling.notices[-1]
    assert (told.kind, told.stops) == ("meter_bouncing", True)
    assert "the count is too high. Check shield and filter." in told.text
    fill.run(1.0)
    assert not fill.contact, "held all the time, it may not start again"
    fill.let_go()
    fill.put("meter_state", "ok")
    fill.run(0.5)
    assert blocked(fill.state) is None


def test_a_beat_missed_in_a_run_is_told_as_what_it_is_and_ends_the_hold() -> None:
    fill = some_fill(3, target_l=3.0)
    fill.put("pump_state", "late")
    assert "pump_late" not in fill.notices(), "with the pump off it harms nobody"
    fill.hold()
    fill.run(3.0)
    assert fill.contact
    fill.put("pump", 0)  # the guard says so first
    fill.put("pump_state", "late")
    fill.run(0.3)
    assert not fill.contact
    told = fill.state.telling.notices[-1]
    assert (told.kind, told.stops) == ("pump_late", True)
    assert "missed a heartbeat" in told.text
    fill.put("pump_state", "ok")
    fill.run(2.0)
    assert not fill.contact, "held all the time, it may not start again"
    assert "no_flow" not in fill.notices(), "no drum is dry"
    fill.let_go()
    fill.run(0.5)
    assert blocked(fill.state) is None


def test_an_edge_that_was_put_back_is_told_once_and_stops_nothing() -> None:
    fill = some_fill(3, target_l=3.0)
    fill.hold()
    for _ in range(3):
        fill.run(1.0)
        fill.put("meter_state", "missed")
        fill.run(1.0)
        fill.put("meter_state", "ok")
    assert fill.contact
    told = [n for n in fill.state.telling.notices if n.kind != "air"]
    assert [n.kind for n in told] == ["meter_missed"]
    assert "was put back" in told[0].text
    assert not told[0].stops


@pytest.mark.parametrize(("lasts_s", "told"), [(0.6, False), (1.9, False), (2.5, True)])
def test_a_converter_that_is_read_too_late_is_a_fault_once_it_lasts(lasts_s: float, told: bool) -> None:
    fill = some_fill(3)
    fill.put("pan_state", "timing")
    fill.run(lasts_s)
    assert ("pan_timing" in fill.notices()) == told
    assert (fill.state.hearing.faults.get("pan") == "timing") == told
    if told:
        assert "too busy" in next(n.text for n in fill.state.telling.notices if n.kind == "pan_timing")
        assert blocked(fill.state) == "Pan: timing"
    fill.put("pan_state", "ok")
    fill.run(3.0)
    assert blocked(fill.state) is None


def test_bad_timing_mends_nothing_that_was_wrong_before() -> None:
    fill = some_fill(3)
    fill.put("pan_state", "unplugged")
    fill.put("pan_state", "timing")
    assert fill.state.hearing.faults["pan"] == "unplugged"
    assert "sensor" not in fill.notices()


def test_a_word_that_nobody_knows_stops_the_pump() -> None:
    fill = some_fill(3)
    fill.put("meter_state", "purple")
    assert blocked(fill.state) == "Meter: purple"


def test_a_containers_scale_is_told_of_and_keeps_no_pump_off() -> None:
    fill = some_fill(3, target_l=3.0)
    fill.put("container", 58.4)
    fill.put("container_state", "unplugged")
    assert blocked(fill.state) is None
    told = next(n for n in fill.state.telling.notices if n.kind == "container_unplugged")
    assert (told.stops, told.text) == (False, "Container's scale: unplugged. Check its cable and connector.")
