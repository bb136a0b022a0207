"""Goals P6 to P12 on seeded fills: the pump's contact decides, not the software's belief. `make soak` has the long forms.

Each proof is run again with a fault planted in a copy of the rule, and must then fail.
"""

import random
from collections.abc import Callable
from dataclasses import replace

import pytest

from station.core import interlocks
from station.core.doubts import doubts
from station.core.state import BayState
from station.filling import overrun
from station.filling.overrun import Overrun, Stop
from station.given.pumping import PumpLine, UsualFlow
from tests.lengths import short
from tests.soak.fills import Fill, Make, fill_of, make
from tests.soak.proofs import (
    KINDS,
    ODD,
    UNSEEN,
    Seen,
    WallClock,
    p6,
    p7,
    p7_clean,
    p8,
    p9,
    p10,
    p10_room,
    p11,
    p12,
    resumes,
    some_fill,
    without,
)


def hold_good(seen: Seen) -> None:
    assert seen.trials
    assert seen.failed == []


def caught(proof: Callable[[range], Seen], seeds: range) -> bool:
    """Whether a proof fails on one of these seeds; it looks no further than the first."""
    return any(proof(range(seed, seed + 1)).failed for seed in seeds)


def test_p6_the_stop_button_stops_and_its_release_starts_nothing() -> None:
    hold_good(p6(range(8)))


def test_p6_sees_a_stop_that_resumes() -> None:
    assert len(p6(range(4), resumes).failed) == 4


def test_p7_no_flow_is_off_within_three_seconds_and_named() -> None:
    hold_good(p7(range(12)))


def test_p7_sees_that_nobody_looks() -> None:
    with without(interlocks.WHILE, "no_flow", "flow_low"):
        assert len(p7(range(4)).failed) == 4


def test_p7_clean_fills_say_nothing() -> None:
    hold_good(p7_clean(range(1000, 1004)))


def test_p8_flow_with_the_pump_off_is_told_and_a_welded_relay_cut() -> None:
    hold_good(p8(range(12)))


def test_p8_sees_that_only_a_running_pump_is_watched() -> None:
    with without(interlocks.ALWAYS, "flow_while_stopped"):
        assert len(p8(range(4)).failed) == 4


def test_p9_a_slow_pump_is_off_in_its_time() -> None:
    hold_good(p9(range(6)))


def test_p9_holds_by_the_clock_alone_where_no_flow_is_too_low_for_it() -> None:
    with without(interlocks.WHILE, "flow_low"):
        hold_good(p9(range(4)))


def test_p9_sees_a_missing_limit_and_a_clock_set_back() -> None:
    with without(interlocks.WHILE, "flow_low", "too_long"):
        assert caught(p9, range(6))
    assert len(p9(range(2), WallClock()).failed) == 2


def test_p10_no_mix_of_faults_overfills() -> None:
    hold_good(p10(range(12)))


def test_p10_a_compartment_that_is_full_before_the_target_is_not_flooded() -> None:
    hold_good(p10_room(range(6)))


def test_p10_sees_that_nobody_watches_the_pan() -> None:
    with without(interlocks.WHILE, "runs_over"):
        assert caught(p10_room, range(8))


@pytest.mark.parametrize("kg", [0.02, 0.06, 0.25, 1.4])
def test_an_object_laid_in_the_pan_is_no_fluid_that_runs_over(kg: float) -> None:
    fill = some_fill(3, target_l=2.0)
    fill.hold()
    fill.run(3.0)
    fill.extra_pan_kg = kg
    fill.run_until_latched(300.0)
    assert fill.state.pump.hold.latched == "target reached"


def test_p10_sees_a_missing_interlock() -> None:
    with without(interlocks.WHILE, "flow_low"):
        assert caught(p10, range(25))


def test_p11_every_sensor_fault_is_seen_or_known_not_to_be() -> None:
    took = p11(range(1))
    assert set(took) == {(source, kind) for source in ODD for kind in KINDS}
    unseen = {key for key, seconds in took.items() if max(seconds) == float("inf")}
    assert unseen == set(UNSEEN)
    # A thermometer's own conversion takes up to 0.75 s (DS18B20 data sheet, 12 bits): nothing is overdue before that.
    pace = {("fluid_supply_c", "dead"): 1.3, ("fluid_supply_c", "slow"): 2.3}
    for key, seconds in took.items():
        if key not in UNSEEN:
            assert max(seconds) <= pace.get(key, 0.6 if key[0] == "fluid_supply_c" else 0.5), key


def test_p11_sees_what_misses_without_its_doubts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tests.soak.proofs.doubts", lambda state: {})
    monkeypatch.setattr("tests.soak.proofs.KINDS", ("dead", "stuck"))
    monkeypatch.delitem(ODD, "fluid_supply_c")
    took = p11(range(1))
    assert took["pan", "dead"][0] > 0.5
    assert took["meter", "stuck"][0] > 0.5


@pytest.mark.parametrize("seed", short(3, range(12)))
def test_a_clean_fill_raises_no_doubt(seed: int) -> None:
    fill = some_fill(seed, target_l=2.0)
    fill.hold()
    fill.run(300.0, until=lambda: fill.state.pump.hold.latched is not None or bool(doubts(fill.state)))
    assert fill.state.pump.hold.latched == "target reached", doubts(fill.state)


def test_p12_the_stop_is_within_ten_millilitres_after_five_fills() -> None:
    seen, by_fill = p12(range(4, 7), fills=8)
    assert len(seen.failed) <= 0.01 * seen.trials
    assert max(map(abs, by_fill[0])) > 10.0, "the first fills are not all good: there is something to learn"


def faulted(fill: Fill) -> Fill:
    """A fill whose stop is followed by a gush: a valve that leaks for some seconds."""
    fill.hold()
    fill.run_until_latched(200.0)
    fill.line.siphon_l_s = 0.03
    fill.let_go()
    fill.run(4.0)
    fill.line.siphon_l_s = 0.0
    fill.run(4.0)
    return fill


def learned_with_faults() -> tuple[Overrun, Overrun]:
    """What clean fills alone teach, and what they teach with faulted ones between."""
    pump, clean, mixed = make(3), Overrun(), Overrun()
    for k in range(6):
        supply_c = 20.0 + k
        one = fill_of(pump, k, 0.8, supply_c, clean)
        one.fill()
        clean = one.state.pump.overrun
        two = fill_of(pump, k, 0.8, supply_c, mixed)
        if k % 2 == 0:
            two.fill()
        else:
            two = faulted(two)
        mixed = two.state.pump.overrun
    return clean, mixed


def test_p12_nothing_is_learned_from_a_faulted_fill() -> None:
    clean, mixed = learned_with_faults()
    assert mixed.stops == 3
    assert mixed.seconds(200.0) == pytest.approx(clean.seconds(200.0), abs=0.03)


def test_p12_sees_that_all_fills_are_learned_from(monkeypatch: pytest.MonkeyPatch) -> None:
    learn = Overrun.learn
    monkeypatch.setattr(overrun.Overrun, "learn", lambda self, stop: learn(self, replace(stop, clean=True)))
    clean, mixed = learned_with_faults()
    assert abs(mixed.seconds(200.0) - clean.seconds(200.0)) > 0.06


def test_a_stop_that_was_not_clean_is_recorded_as_such() -> None:
    fill = faulted(some_fill(7))
    stop: Stop = fill.state.pump.stops[-1]
    assert not stop.clean
    assert "flow_while_stopped" in fill.notices()


def test_what_was_metered_survives_every_stop() -> None:
    """Whatever stops the pump, each pulse that came is in the figure: the line's own count says how many."""
    for seed in range(6):
        fill = some_fill(seed, target_l=1.5)
        fill.hold()
        fill.run(fill.random.uniform(1.0, 6.0))
        fill.press_stop(True)
        fill.run(3.0)
        state: BayState = fill.state
        assert state.meter.pulses == fill.line.pulses


def known_pump(seed: int) -> tuple[Make, UsualFlow, random.Random]:
    """A pump after eight fills at whatever the supply's temperature was."""
    pump, usual, rng = make(seed), UsualFlow(), random.Random(f"usual {seed}")
    for k in range(8):
        fill = fill_of(pump, 100 * seed + k, 0.8, rng.uniform(*pump.range_c), Overrun())
        fill.fill()
        for stop in fill.state.pump.stops:
            if stop.clean:
                usual = usual.learn(stop.flow_l_min, fill.spec.pump, stop.kv_mm2_s)
    return pump, usual, rng


@pytest.mark.parametrize("seed", short(1, range(6)))
def test_a_meter_that_is_wrong_by_a_quarter_is_told_from_what_the_pump_did_before(seed: int) -> None:
    """One meter alone, and too little for the limits that hold for any pump."""
    pump, usual, rng = known_pump(seed)
    assert usual.stops >= 5
    for counted in (1.0, 1.0, 0.75, 1.3):
        fill = fill_of(pump, 77, 2.0, rng.uniform(*pump.range_c), Overrun(), usual=usual)
        fill.line.counted = counted
        fill.fill()
        told = {"flow_unlike", "flow_high"} & set(fill.notices())
        assert bool(told) == (counted != 1.0), (counted, usual, fill.notices())


def test_a_pump_that_is_not_known_yet_is_not_compared() -> None:
    usual = UsualFlow()
    for _ in range(4):
        usual = usual.learn(3.0, PumpLine(3.6, 900.0), 20.0)
    assert usual.bounds() is None
    assert usual.learn(3.0, PumpLine(3.6, 900.0), 20.0).bounds() is not None
    assert usual.learn(0.6, PumpLine(3.6, 900.0, fine_share=0.2), 20.0) == usual, "at the slow speed"
    assert usual.learn(3.0, None, 20.0) == usual
    assert usual.learn(3.0, PumpLine(3.6), None) == usual
