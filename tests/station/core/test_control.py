"""Holding, stopping, topping up, two speeds, air: one fill at a time."""

from dataclasses import replace

import pytest

from station.core import amounts, control, lip
from station.core.limits import LIMITS
from station.core.replay import replay
from station.figures import balance
from station.filling.overrun import Overrun
from station.given.pumping import PumpLine
from tests.lengths import short
from tests.soak.fills import Fill, fill_of, make, spec_of
from tests.soak.proofs import some_fill


def learned(pump_seed: int, fills: int = 4) -> Overrun:
    pump, overrun = make(pump_seed), Overrun()
    for k in range(fills):
        one = fill_of(pump, k, 0.7, 20.0, overrun)
        one.fill()
        overrun = one.state.pump.overrun
    return overrun


@pytest.mark.parametrize("seed", short(2, range(6)))
def test_top_ups_bring_their_few_millilitres_each(seed: int) -> None:
    fill = fill_of(make(seed), seed, 0.8, 20.0, learned(seed))
    fill.fill()
    for k in range(1, 4):
        before_l = fill.delivered_l
        fill.put("top_up", LIMITS.top_up_l)
        fill.fill()
        assert fill.delivered_l - before_l == pytest.approx(LIMITS.top_up_l, abs=0.012), k
    assert fill.delivered_l == pytest.approx(0.8 + 3 * LIMITS.top_up_l, abs=0.015)
    assert fill.notices() == []


def test_a_target_once_reached_stays_reached_however_often_it_is_held() -> None:
    fill = some_fill(4)
    fill.fill()
    at_l = fill.delivered_l
    for _ in range(5):
        fill.fill(3.0)
    assert fill.delivered_l == at_l


@pytest.mark.parametrize(("seed", "left_l"), [(0, 0.008), (3, 0.006), (5, 0.02)])
def test_what_is_less_than_the_pump_can_give_is_told_after_one_turn(seed: int, left_l: float) -> None:
    fill = fill_of(make(seed), seed, 0.8, 20.0, learned(seed))
    fill.fill()
    assert not control.too_little_left(fill.state)
    fill.put("top_up", left_l)
    assert not control.too_little_left(fill.state)
    at_l = fill.delivered_l
    for _ in range(2):
        fill.fill(3.0)
        assert fill.delivered_l == at_l
        assert amounts.may_go_l(fill.state) > 0.005
        assert control.too_little_left(fill.state)
    fill.put("top_up", 0.05)
    assert not control.too_little_left(fill.state)
    fill.fill()
    assert fill.delivered_l - at_l == pytest.approx(left_l + 0.05, abs=0.015)
    assert not control.too_little_left(fill.state)


def test_level_seen_stops_the_pump_and_it_stays_off_while_held() -> None:
    fill = some_fill(5, target_l=3.0)
    fill.hold()
    fill.run(3.0)
    fill.put("mark", "level_seen")
    fill.run(2.0)
    assert fill.state.pump.hold.latched == "level seen at the plug"
    assert not fill.contact
    assert fill.state.pump.stops[-1].why == "level seen at the plug"


def test_silence_of_the_control_lets_go() -> None:
    fill = some_fill(6, target_l=3.0)
    fill.hold()
    fill.run(2.0)
    fill.held = False  # the network is lost: nobody says "let go"
    t0_s = fill.t_s
    fill.run(1.0, until=lambda: not fill.contact)
    assert fill.t_s - t0_s < 0.35
    fill.run(3.0)
    assert fill.state.pump.stops[-1].why == lip.UNHEARD, "nobody let go"


TWO_SPEEDS = PumpLine(3.6, fine_share=0.2, fine_l=0.15)


def test_a_pump_with_two_speeds_comes_in_slowly() -> None:
    fill = Fill(spec_of("75W-90", 1.0, TWO_SPEEDS), 25.0, 3)
    fill.fill()
    fine = [t for t, command in fill.commands if command.fine]
    off = [t for t, command in fill.commands if not command.run]
    assert len(fine) == 1
    assert 5.0 < off[0] - fine[0] < 40.0
    assert fill.delivered_l == pytest.approx(1.0, abs=0.006)
    assert fill.notices() == []
    fill.put("top_up", LIMITS.top_up_l)
    fill.fill()
    assert fill.commands[-2][1].fine, "a top-up is slow from its start"
    assert fill.delivered_l == pytest.approx(1.0 + LIMITS.top_up_l, abs=0.01)


def aired(seed: int, air_l: float, known: bool) -> Fill:
    """A fill that draws air in the middle, to its target, held again when it was stopped for it."""
    fill = some_fill(seed, target_l=2.0)
    if not known:
        fill.state = replace(fill.state, spec=replace(fill.spec, pump=None))
    fill.hold()
    fill.run(5.0 + fill.random.random())
    fill.line.suck_air(air_l)
    for _ in range(3):
        fill.run_until_latched(400.0)
        reached = fill.state.pump.hold.latched == "target reached"
        fill.let_go()
        fill.run(4.0)
        if reached:
            break
        fill.hold()
    return fill


@pytest.mark.parametrize("known", [True, False])
def test_air_in_the_line_is_told_taken_out_and_doubted(known: bool) -> None:
    """Of 10, fewer than 8 within U95 have a chance of 1 %."""
    covered = 0
    for seed in range(10):
        fill = aired(seed, 0.08, known)
        track = fill.state.meter
        assert {"air", "flow_high"} & set(fill.notices()), seed
        covered += abs(track.air_l - 0.08 * track.factor) <= 2.0 * track.u_air_l
        metered = balance.figures(fill.state).metered
        assert metered is not None
        assert metered.value == pytest.approx(track.volume_l)
        assert metered.u >= track.u_air_l
    assert covered >= 8


def test_a_new_flow_that_stays_is_no_air() -> None:
    """The pump goes to a faster speed for good: nobody may take that for a bubble."""
    fill = Fill(replace(spec_of("75W-90", 3.0, None)), 20.0, 2)
    fill.line.share = 0.5
    fill.hold()
    fill.run(6.0)
    fill.line.share = 1.0
    fill.run_until_latched(400.0)
    assert fill.state.meter.air_l == 0.0
    assert fill.notices() == []


def test_air_depends_on_the_recording_alone() -> None:
    """What a replay of the exported sources makes of it is what the live job made."""
    samples = []
    fill = some_fill(2, target_l=2.0)
    step = fill.step

    def recorded(state, sample):  # type: ignore[no-untyped-def]
        samples.append(sample)
        return step(state, sample)

    fill = replace_step(fill, recorded)
    fill.hold()
    fill.run(6.0)
    fill.line.suck_air(0.06)
    fill.run_until_latched(300.0)
    fill.let_go()
    fill.run(4.0)
    exported = [
        s
        for s in samples
        if s.source in ("pan", "meter", "pump", "fluid_supply_c", "fluid_drained_c", "mark")
    ]
    again = replay(fill.spec, exported)
    assert again.meter.air_l == fill.state.meter.air_l > 0
    assert again.meter.volume_l == fill.state.meter.volume_l


def replace_step(fill: Fill, rule: object) -> Fill:
    """The same fill from its beginning, stepped by another rule."""
    return Fill(fill.spec, fill.supply_c, fill.seed, fill.settings, fill.overrun, step=rule)  # type: ignore[arg-type]
