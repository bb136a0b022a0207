"""One table: each interlock has a cause and a remedy, and a check that finds it."""

from dataclasses import replace

import pytest

from station.core import amounts, control, interlocks, warnings
from station.core.interlock_table import TABLE
from station.core.interlocks import ALWAYS, BEFORE, WHILE
from station.core.step import finish
from station.figures import balance
from station.filling.drum import Drum
from station.given.job import HoseHeld
from station.given.pumping import PumpLine
from station.given.said import SetAside
from station.given.settings import Settings
from tests.soak.fills import Fill, spec_of

PUMP = PumpLine(3.6)


def fill(fluid: str = "75W-90", supply_c: float = 20.0, target_l: float = 2.0, **more: object) -> Fill:
    labels, hose = more.pop("labels", None), more.pop("hose", None)
    return Fill(spec_of(fluid, target_l, more.pop("pump", PUMP), labels, hose), supply_c, 1, **more)  # type: ignore[arg-type]


def test_every_check_has_its_row_and_every_row_its_check() -> None:
    told_elsewhere = {"supply_jump"}  # where the temperature is taken in
    assert set(BEFORE) | set(WHILE) | set(ALWAYS) | told_elsewhere == set(TABLE)


def test_a_reason_sets_aside_what_the_table_says_and_nothing_else() -> None:
    assert {kind for kind, row in TABLE.items() if row.reason} == set(SetAside)


@pytest.mark.parametrize("kind", TABLE)
def test_every_row_says_cause_and_remedy_in_sentences(kind: str) -> None:
    row = TABLE[kind]
    assert row.word
    assert row.cause.endswith(".")
    assert row.remedy.endswith(".")
    assert row.stops or not (row.trips or row.reason)
    assert {"kind", "word", "cause", "remedy", "stops"} <= set(interlocks.table()[0])


@pytest.mark.parametrize("kind", [*BEFORE, *WHILE])
def test_what_keeps_the_pump_off_is_said_to_stop_it(kind: str) -> None:
    assert TABLE[kind].stops


def blocked_by(bay: Fill) -> str | None:
    """Hold, and see what keeps the pump off; nothing may have moved."""
    bay.hold()
    bay.run(1.0)
    found = interlocks.holds_off(bay.state)
    if found is not None:
        assert not bay.switched
        assert found[0] in bay.notices()
        assert bay.state.pump.hold.latched == TABLE[found[0]].word
    return None if found is None else found[0]


def test_a_fluid_too_thick_for_the_pump_keeps_it_off() -> None:
    assert blocked_by(fill("85W-140", 0.0, pump=PumpLine(3.6, max_kv_mm2_s=3000.0))) == "supply_cold"
    assert blocked_by(fill("85W-140", 15.0, pump=PumpLine(3.6, max_kv_mm2_s=3000.0))) is None


def test_the_wrong_grade_keeps_it_off_until_a_reason_is_given() -> None:
    assert (
        blocked_by(fill(labels={"grade": "80W-90", "fluid": "x"})) is None
    )  # the fluid's table names no grade
    bay = fill(labels={"grade": "ATF", "fluid": "gear"})
    bay.put("drum", Drum("drum 3", "gear", "75W-90", 20.0).to_text())
    bay.state = replace(bay.state, spec=replace(bay.spec, fresh=replace(bay.spec.fresh, grade="75W-90")))
    assert blocked_by(bay) == "wrong_grade"
    bay.let_go()
    bay.run(0.5)
    bay.put("override", "wrong_grade: ")
    assert "wrong_grade" not in bay.state.said.overrides, "an empty reason is none"
    bay.put("override", "wrong_grade:approved by the maker's bulletin")
    bay.hold()
    bay.run(1.5)
    assert bay.contact
    bay.run_until_latched(200.0)
    bay.let_go()
    bay.run(5.0)
    bay.put("mark", "fill_done")
    report = balance.report(finish(bay.state)).to_dict()
    assert report["verdict"] == "undecided", "a fill of the wrong grade is never called full"
    assert report["wrong_fill"] == "the compartment takes ATF, the container holds 75W-90"
    assert "wrong_fill" in [n["kind"] for n in report["notices"]]


def test_a_container_of_another_fluid_than_planned_keeps_it_off() -> None:
    bay = fill(labels={"fluid": "gear"})
    bay.put("drum", Drum("keg 1", "atf", "ATF", 20.0).to_text())
    assert blocked_by(bay) == "wrong_grade"
    assert "holds ATF, the job is planned with" in (interlocks.holds_off(bay.state) or ("", ""))[1]
    bay.state = replace(bay.state, spec=replace(bay.spec, fresh=replace(bay.spec.fresh, grade="75W-90")))
    bay.put("drum", Drum("keg 2", "gear_2", "75W-90", 20.0).to_text())
    assert "holds gear_2, the job is planned with gear." in (interlocks.holds_off(bay.state) or ("", ""))[1]


def drum(name: str, fluid: str, grade: str) -> tuple[str, str]:
    return "drum", Drum(name, fluid, grade, 20.0).to_text()


def filled_from(*drums: tuple[str, str], litres: float = 0.7, hose_l: float = 0.0) -> Fill:
    """So many litres out of each container in turn; whatever keeps the pump off is set aside with a reason."""
    bay = fill(labels=GEAR, target_l=litres * len(drums))
    bay.state = replace(bay.state, settings=replace(bay.state.settings, hose_l=hose_l))
    for n, one in enumerate(drums, start=1):
        bay.put(*one)
        bay.put("override", "wrong_grade:its label was read wrongly")
        bay.hold()
        while bay.state.meter.volume_l < litres * n and bay.state.pump.hold.latched is None:
            bay.run(0.5)
        bay.let_go()
        bay.run(5.0)
    bay.put("mark", "fill_done")
    return bay


def test_a_fill_out_of_another_grades_container_in_between_is_never_called_full() -> None:
    bay = filled_from(
        drum("keg 1", "gear", "75W-90"), drum("drum B", "atf", "ATF"), drum("keg 2", "gear", "75W-90")
    )
    report = balance.report(finish(bay.state)).to_dict()
    assert "mL of ATF from drum B went in with it" in str(report["wrong_fill"])
    assert report["verdict"] != "full"


def test_a_fill_out_of_two_containers_of_one_grade_is_one_fill() -> None:
    bay = filled_from(drum("keg 1", "gear", "75W-90"), drum("keg 2", "gear", "75W 90"))
    assert amounts.wrong_fill(bay.state) is None
    assert amounts.poured_l(bay.state) == {
        "keg 1": pytest.approx(0.7, abs=0.1),
        "keg 2": pytest.approx(0.7, abs=0.1),
    }


def test_what_another_grades_container_has_only_pushed_into_the_hose_is_in_no_fill() -> None:
    bay = filled_from(drum("keg 1", "gear", "75W-90"), drum("drum B", "atf", "ATF"), litres=0.25, hose_l=0.35)
    poured_l = amounts.poured_l(bay.state)["drum B"]
    assert 0.1 < poured_l < bay.state.settings.hose_l
    assert amounts.wrong_fill(bay.state) is None


def test_a_reason_for_one_container_is_none_for_the_next() -> None:
    bay = fill(labels=GEAR)
    bay.put(*drum("drum B", "atf", "ATF"))
    bay.put("override", "wrong_grade:its label is wrong")
    assert blocked_by(bay) is None
    bay.let_go()
    bay.run(3.0)
    assert interlocks.holds_off(bay.state) is None
    bay.put(*drum("drum C", "coolant", "C"))
    assert (interlocks.holds_off(bay.state) or ("nothing",))[0] == "wrong_grade"


GEAR = {"grade": "75W-90", "fluid": "gear"}
HOSE = HoseHeld(0.35, "ATF, fresh", "ATF")


def test_another_grade_in_the_hose_keeps_it_off_until_it_is_purged() -> None:
    assert blocked_by(fill(labels=GEAR, hose=HOSE)) == "hose_holds"
    bay = fill(labels=GEAR, hose=HOSE, marks=("pan_placed", "drain_open", "drain_done", "reseal_done"))
    bay.fill(1.0)
    assert not bay.switched, "no fill and no purge: the pump stays off"
    bay.put("purge", 0.35)
    bay.fill()
    assert bay.state.pump.hold.latched is None
    purged_l = bay.state.meter.total_l
    assert purged_l == pytest.approx(0.35, abs=0.012)
    assert bay.state.meter.volume_l == 0.0, "a purge is no fill"
    bay.put("mark", "fill_start")
    assert bay.state.supply.purge is None
    assert bay.state.supply.purged_l == pytest.approx(purged_l)
    assert interlocks.holds_off(bay.state) is None
    bay.fill()
    assert amounts.wrong_fill(bay.state) is None
    assert bay.delivered_l == pytest.approx(0.35 + 2.0, abs=0.03)


def test_a_fill_over_an_unpurged_hose_is_never_called_full() -> None:
    bay = fill(labels=GEAR, hose=HOSE)
    bay.put("override", "hose_holds:customer accepts")
    bay.fill()
    assert "350 mL of ATF from the hose" in str(amounts.wrong_fill(bay.state))
    assert balance.report(bay.state).to_dict()["verdict"] != "full"


def test_another_fluid_of_the_same_grade_is_asked_about_only() -> None:
    bay = fill(labels=GEAR, hose=replace(HOSE, grade="75w 90"))
    assert blocked_by(bay) is None
    assert bay.contact
    assert "hose_asks" in bay.notices()


def test_a_missing_pan_stops_the_pump() -> None:
    bay = fill()
    bay.hold()
    bay.run(3.0)
    assert bay.contact
    bay.extra_pan_kg = -1.6
    bay.run_until_latched(5.0)
    assert bay.state.pump.hold.latched == TABLE["pan_missing"].word
    bay.run(0.1)
    assert not bay.contact


def test_a_pan_without_room_stops_the_pump() -> None:
    bay = fill(bay=Settings(pan_room_l=1.0))
    bay.hold()
    bay.run(3.0)
    bay.extra_pan_kg = 1.2
    bay.run_until_latched(8.0)
    assert bay.state.pump.hold.latched == TABLE["pan_full"].word


def test_two_trains_that_disagree_stop_the_pump_and_widen_the_figure() -> None:
    bay = fill(two_trains=True)
    bay.hold()
    bay.run(4.0)
    assert "meters_differ" not in bay.notices()
    bay.line.counted_b = 0.7
    bay.run_until_latched(20.0)
    assert bay.state.pump.hold.latched == TABLE["meters_differ"].word
    budget = balance.figures(bay.state).metered
    assert budget is not None
    apart_l = (bay.state.meter.pulses - bay.state.meter.pulses_b) / 402.5
    assert budget.u > 0.45 * apart_l


def test_a_silent_meter_stops_the_pump_within_half_a_second() -> None:
    bay = fill()
    bay.hold()
    bay.run(4.0)
    bay.tamper["meter"] = lambda value, t_s: None
    t0_s = bay.t_s
    bay.run(2.0, until=lambda: not bay.contact)
    assert bay.t_s - t0_s < 0.55
    assert "sensor_silent" in bay.notices()


def test_over_the_target_is_told_and_keeps_the_pump_off() -> None:
    bay = fill(target_l=0.5)
    bay.hold()
    bay.run(3.0)
    bay.line._s = replace(bay.settings, pump_lag_s=3.0)  # a valve that closes much too late
    bay.fill()
    bay.run(2.0)
    assert "over_target" in bay.notices()
    bay.hold()
    bay.run(1.0)
    assert not bay.contact


def test_a_pump_whose_pin_stays_on_is_told() -> None:
    bay = fill()
    bay.hold()
    bay.run(3.0)
    bay.latency_s = (60.0, 60.0)
    bay.let_go()
    bay.run(1.0)
    assert "pump_stays_on" in bay.notices()
    assert bay.commands[-1][1].trip


def test_a_temperature_that_jumps_is_told() -> None:
    bay = fill()
    bay.hold()
    bay.run(3.0)
    bay.tamper["fluid_supply_c"] = lambda value, t_s: value + 20.0
    bay.run(2.0)
    assert "supply_jump" in bay.notices()


def test_a_drum_that_will_not_last_is_told_before_the_pump_starts() -> None:
    bay = fill()
    bay.put("drum", Drum("drum 3", "", "", 1.4, 0.01).to_text())
    assert "drum_low" in bay.notices()
    assert not bay.switched
    bay.put("drum", Drum("drum 4", "", "", 20.0, 0.1).to_text())
    assert bay.notices().count("drum_low") == 1
    bay.fill()
    assert bay.state.supply.drum is not None
    left = bay.state.supply.drum.now(bay.state.meter.total_l)
    assert left.left_l == pytest.approx(20.0 - bay.delivered_l, abs=0.01)


def test_a_pan_that_fills_up_while_it_drains_is_told_and_no_more() -> None:
    bay = fill(marks=("pan_placed", "drain_open"), bay=Settings(pan_room_l=1.0))
    for k in range(30):
        bay.extra_pan_kg = 0.026 * k
        bay.run(0.5)
    bay.run(8.0)
    assert bay.notices().count("pan_nearly_full") == 1
    assert bay.state.stage in ("drain", "drip")


@pytest.mark.parametrize(
    ("rim_l", "lies_kg", "told"), [(1.5, 0.0, "1.5"), (12.0, 37.0, "1.1"), (2.1, 36.0, None)]
)
def test_a_pan_that_will_not_take_all_is_told_before_the_drain_opens(
    rim_l: float, lies_kg: float, told: str | None
) -> None:
    """By its rim, or by the end of its converter's range: 2^23 counts less the zero's 84213 are 39.54 kg, of
    which the pan has 1.6 kg; a litre of the fluid has 0.868 kg."""
    bay = fill(marks=(), bay=Settings(pan_room_l=rim_l))
    bay.extra_pan_kg = lies_kg
    bay.run(2.0)
    assert "pan_small" not in bay.notices()
    bay.put("mark", "pan_placed")
    bay.run(2.0)
    found = [n.text for n in bay.state.telling.notices if n.kind == "pan_small"]
    if told is None:
        assert not found
        return
    assert len(found) == 1
    assert f"2.0 L are expected to come out; the pan takes {told} L more." in found[0]
    assert bay.state.pump.hold.latched is None


def test_two_pans_take_what_both_take() -> None:
    one = fill().spec
    two = replace(one, pan_b=one.pan)
    assert "takes 1.5 L more" in str(warnings.too_much(one, [1.5], [0.0]))
    assert warnings.too_much(two, [1.5, 0.6], [0.0, 0.0]) is None
    assert "takes 1.5 L more" in str(warnings.too_much(two, [1.5, 0.6], [0.0, 50.0])), (
        "less than none is none"
    )


def test_what_may_have_come_uncounted_counts_against_the_target() -> None:
    """A meter that dies, and a person who holds again and again: each turn brings the end nearer."""
    bay = fill(target_l=0.4)
    bay.line.counted = 0.0
    for _ in range(12):
        bay.fill(30.0)
    assert bay.delivered_l < 0.4 + 0.1
    bay.hold()
    bay.run(1.0)
    assert bay.state.pump.hold.latched == "target reached"
    assert not bay.contact


def test_a_kink_that_is_mended_costs_the_fill_no_more_than_its_tolerance() -> None:
    bay = fill(target_l=1.5)
    bay.hold()
    bay.run(8.0)
    bay.line.share = 0.0
    bay.run_until_latched(5.0)
    bay.line.share = 1.0
    bay.let_go()
    bay.run(1.0)
    bay.fill()
    assert 1.4 < bay.delivered_l < 1.51


@pytest.mark.parametrize(
    ("word", "remedy"), [("stuck", "check the relay and its wiring"), ("bad", "does not know")]
)
def test_a_pump_that_locks_itself_says_what_a_pump_needs(word: str, remedy: str) -> None:
    """Words that a pan's converter uses too, with another remedy."""
    bay = fill()
    bay.put("pump_state", word)
    bay.put("pan_state", word)
    pump, pan = bay.state.telling.notices[-2:]
    assert remedy in pump.text
    assert "clear it" in pump.text.lower()
    assert "clear it" not in pan.text.lower()
    assert pump.stops


@pytest.mark.parametrize("source", ["pan", "fluid_supply_c"])
def test_a_device_that_falls_silent_stops_the_pump_and_keeps_it_off(source: str) -> None:
    bay = fill(target_l=4.0)
    bay.hold()
    bay.run(3.0)
    assert bay.contact
    bay.tamper[source] = lambda value, t_s: None
    bay.run(15.0, until=lambda: not bay.contact)
    assert not bay.contact
    assert str(control.blocked(bay.state)).startswith("no signal: ")
    bay.let_go()
    bay.run(0.5)
    bay.hold()
    bay.run(1.0)
    assert not bay.contact


def test_what_flows_by_itself_keeps_the_pump_off_until_it_ends() -> None:
    bay = fill(target_l=3.0)
    bay.hold()
    bay.run(3.0)
    bay.let_go()
    bay.run(5.0)
    bay.line.siphon_l_s = 0.02
    bay.run(4.0)
    assert bay.told_s("flow_while_stopped") is not None
    bay.hold()
    bay.run(1.0)
    assert not bay.contact
    assert control.blocked(bay.state) == TABLE["flow_while_stopped"].word
    bay.let_go()
    bay.line.siphon_l_s = 0.0
    bay.run(5.0)
    assert interlocks.holds_off(bay.state) is None, "what tripped the second contact is cleared by hand"


def test_the_pump_turns_in_its_stage_alone() -> None:
    bay = fill(target_l=3.0)
    bay.hold()
    bay.run(1.0)
    assert bay.contact
    bay.let_go()
    bay.run(2.0)
    bay.put("mark", "fill_done")
    bay.hold()
    bay.run(1.0)
    assert not bay.contact
    assert control.blocked(bay.state) == "the pump only runs in the fill stage"


@pytest.mark.parametrize("source", ["pan", "meter", "fluid_supply_c"])
def test_no_pump_turns_before_every_device_was_read(source: str) -> None:
    bay = fill()
    bay.run(1.0)
    assert control.blocked(bay.state) is None
    heard = {name: t_s for name, t_s in bay.state.hearing.last_t_s.items() if name != source}
    state = replace(bay.state, hearing=replace(bay.state.hearing, last_t_s=heard))
    assert str(control.blocked(state)).startswith("no reading yet: ")
