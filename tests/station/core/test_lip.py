"""Proof at the lip: small steps while it is held, until the pan has weighed what ran over."""

from dataclasses import replace
from typing import Any

import pytest

from station.core import lip
from station.core.replay import replay
from station.core.state import LipProof
from station.core.step import step
from station.figures import balance
from station.given.pumping import PumpLine
from station.given.settings import Settings
from tests.soak.fills import Fill, spec_of

PUMP = PumpLine(3.6)


LITTLE = Settings(lip_proof_most_l=0.06)


def filled(target_l: float = 0.4, short_l: float = 0.05, seed: int = 1, **more: Any) -> Fill:
    """A fill that has reached its target, with so much room left below the lip."""
    fill = Fill(spec_of("75W-90", target_l, PUMP), 20.0, seed, room_l=target_l + short_l, **more)
    fill.fill()
    fill.run(3.0)
    return fill


def proof_of(fill: Fill) -> LipProof:
    proof = fill.state.fill.proof
    assert proof is not None
    return proof


def prove(fill: Fill, at_most_s: float = 300.0) -> LipProof:
    """Ask for it, hold until it is over, let go, and wait the dribble out."""
    fill.put("mark", "lip_proof")
    fill.hold()
    fill.run(at_most_s, until=lambda: proof_of(fill).ended is not None)
    fill.run(1.0)
    fill.let_go()
    fill.run(4.0)
    return proof_of(fill)


@pytest.mark.parametrize("short_l", [-0.02, 0.0, 0.05, 0.11])
def test_it_stops_at_the_first_fluid_over_the_lip(short_l: float) -> None:
    fill = filled(short_l=short_l)
    before_l = max(0.0, fill.delivered_l - fill.room_l)
    proof = prove(fill)
    assert proof.ended == lip.OVER
    assert proof.still
    assert "lip_proved" in fill.notices()
    ran_l = fill.delivered_l - fill.room_l - before_l
    assert 0.010 <= ran_l < 0.035
    assert ran_l - 0.005 < lip.over_l(fill.state, proof) < ran_l + 0.002
    overflow = balance.figures(fill.state).overflow
    assert overflow is not None
    assert overflow.value == pytest.approx(ran_l + before_l, abs=0.003)
    at_l = fill.delivered_l
    fill.fill(5.0)
    assert fill.delivered_l == at_l, "held again it stays where it is"


def test_it_pushes_no_more_than_the_stated_amount() -> None:
    for most_l in (0.06, 0.15):
        fill = filled(short_l=0.5, bay=Settings(lip_proof_most_l=most_l))
        before_l = fill.delivered_l
        proof = prove(fill)
        assert proof.ended == lip.NOTHING
        assert most_l - 0.03 < fill.delivered_l - before_l <= most_l
        assert fill.notices()[-1] == "lip_not_reached"
        assert "over_target" not in fill.notices()


def test_the_pump_never_runs_by_itself() -> None:
    fill = filled()
    turns = len(fill.switched)
    fill.put("mark", "lip_proof")
    fill.run(30.0)
    assert len(fill.switched) == turns
    assert proof_of(fill).ended is None


def test_who_holds_since_before_has_to_let_go_first() -> None:
    fill = Fill(spec_of("75W-90", 0.4, PUMP), 20.0, 1)
    fill.hold()
    fill.run_until_latched(400.0)
    fill.run(6.0)
    turns = len(fill.switched)
    fill.put("mark", "lip_proof")
    fill.run(20.0)
    assert len(fill.switched) == turns


def test_letting_go_ends_it_and_what_is_left_of_its_amount_stays_left() -> None:
    fill = filled(short_l=0.5, bay=LITTLE)
    before_l = fill.delivered_l
    fill.put("mark", "lip_proof")
    fill.hold()
    fill.run(60.0, until=lambda: proof_of(fill).steps == 2)
    fill.let_go()
    fill.run(0.5)
    assert not fill.contact
    assert proof_of(fill).ended == lip.LET_GO
    assert fill.notices()[-1] == "lip_proof_ended"
    turns = len(fill.switched)
    fill.fill(8.0)
    assert len(fill.switched) == turns, "it does not go on unasked"
    prove(fill)
    assert proof_of(fill).ended == lip.NOTHING
    assert fill.delivered_l - before_l <= 0.06
    at_l = fill.delivered_l
    prove(fill)
    assert 0.03 < fill.delivered_l - at_l <= 0.06, "asked for again after that, it has its amount anew"


def test_silence_of_the_control_ends_it_too() -> None:
    fill = filled(short_l=0.5)
    fill.put("mark", "lip_proof")
    fill.hold()
    fill.run(60.0, until=lambda: proof_of(fill).steps == 2)
    fill.held = False  # the network is lost: nobody says "let go"
    fill.run(1.0)
    assert not fill.contact
    assert proof_of(fill).ended == lip.UNHEARD


@pytest.mark.parametrize(
    "fault",
    [
        lambda fill: fill.press_stop(True),
        lambda fill: fill.put("stop", 1),
        lambda fill: fill.put("meter_state", "failed"),
        lambda fill: fill.put("pan_state", "unplugged"),
        lambda fill: fill.tamper.update(pan=lambda _value, _t_s: None),
        lambda fill: setattr(fill, "extra_pan_kg", -0.5),
        lambda fill: fill.put("mark", "level_seen"),
    ],
)
def test_whatever_keeps_a_pump_off_ends_it(fault: Any) -> None:
    fill = filled(short_l=0.5)
    fill.put("mark", "lip_proof")
    fill.hold()
    fill.run(60.0, until=lambda: proof_of(fill).steps == 2)
    fault(fill)
    fill.run(70.0, until=lambda: proof_of(fill).ended is not None)
    assert proof_of(fill).ended not in (None, lip.OVER, lip.NOTHING)
    fill.run(0.5)
    assert not fill.contact
    steps = proof_of(fill).steps
    assert steps <= 4
    fill.run(8.0)
    assert not fill.contact
    assert proof_of(fill).steps == steps


def test_a_meter_that_counts_nothing_ends_it_after_one_step() -> None:
    fill = filled(short_l=0.5)
    stands = fill.line.pulses
    fill.tamper["meter"] = lambda _value, _t_s: stands
    before_l = fill.delivered_l
    proof = prove(fill, 60.0)
    assert proof.ended not in (None, lip.OVER, lip.NOTHING)
    assert proof.steps == 1
    assert fill.delivered_l - before_l < 0.05


def test_a_meter_that_loses_half_its_pulses_is_bounded_by_the_pumps_time() -> None:
    fill = filled(short_l=2.0)
    stands = fill.line.pulses
    fill.tamper["meter"] = lambda value, _t_s: stands + (value - stands) // 2
    before_l = fill.delivered_l
    prove(fill)
    assert fill.delivered_l - before_l < 0.25


def shaken(fill: Fill, each: Any, at_most_s: float = 300.0) -> LipProof:
    """Prove while something happens on the pan; each: called every tick with the seconds since the proof began."""
    fill.put("mark", "lip_proof")
    began_s = fill.t_s
    fill.hold()

    def look() -> bool:
        each(fill.t_s - began_s)
        return proof_of(fill).ended is not None

    fill.run(at_most_s, until=look)
    fill.let_go()
    fill.run(2.0)
    return proof_of(fill)


def test_a_knock_on_the_pan_is_no_lip() -> None:
    fill = filled(short_l=0.5, bay=LITTLE)

    def knock(at_s: float) -> None:
        fill.extra_pan_kg = 0.2 if at_s % 4.0 < 0.25 else 0.0

    proof = shaken(fill, knock)
    assert proof.ended == lip.NOTHING
    assert proof.over_kg == 0.0


@pytest.mark.parametrize("kg", [0.012, 0.06, 0.5])
@pytest.mark.parametrize("slowly_s", [0.1, 3.0])
def test_a_thing_laid_into_the_pan_is_no_lip(kg: float, slowly_s: float) -> None:
    fill = filled(short_l=0.5, bay=LITTLE)

    def lay(at_s: float) -> None:
        fill.extra_pan_kg = kg * min(1.0, max(0.0, (at_s - 8.0) / slowly_s))

    assert shaken(fill, lay).ended == lip.NOTHING


@pytest.mark.parametrize("g_s", [0.05, 0.2, 0.8])
def test_a_drip_that_still_falls_is_no_lip(g_s: float) -> None:
    fill = filled(short_l=0.5)

    def drip(_at_s: float) -> None:
        fill.extra_pan_kg += g_s * 1e-5

    proof = shaken(fill, drip, 500.0)
    assert proof.ended == lip.NOTHING
    assert proof.proved_s is None


@pytest.mark.parametrize("percent", [-8, -3, 3, 8])
def test_a_meter_that_is_off_still_proves_the_lip(percent: int) -> None:
    """The compartment takes its 2.4 L whatever the meter says; the target is reached short of that or beyond it."""
    spec = spec_of("75W-90", 2.4, PUMP)
    off = replace(
        spec, meter=replace(spec.meter, k_factor_per_l=spec.meter.k_factor_per_l / (1 + percent / 100))
    )
    fill = Fill(off, 20.0, 4, room_l=2.4, bay=Settings(runs_over_l=1.0))
    fill.put("mark", "stands_level")  # without it, what runs over is no proof against the meter
    fill.fill()
    fill.run(10.0)
    for _ in range(3):
        if prove(fill).ended == lip.OVER:
            break
    assert proof_of(fill).ended == lip.OVER
    fill.run(20.0)
    assert fill.delivered_l > fill.room_l
    report = balance.report(fill.state).to_dict()
    rows = {row["name"]: row for row in report["witnesses"]}
    assert rows["lip"]["p_sound"] > 0.9
    assert report["verdict"] == "full", report["verdict_text"]


def test_a_recording_without_the_stations_own_sources_proves_the_same() -> None:
    """What the pan has read needs pan, meter and marks, and neither who held what nor a clock's tick."""
    samples: list[Any] = []

    def recorded(state: Any, sample: Any) -> Any:
        samples.append(sample)
        return step(state, sample)

    fill = filled(step=recorded)
    proof = prove(fill)
    own = ("pendant", "tick", "hold", "top_up")
    again = replay(fill.spec, [s for s in samples if s.source not in own]).fill.proof
    assert again is not None
    assert again.proved_s == proof.proved_s
    assert again.over_kg == proof.over_kg


def test_before_a_fill_and_after_the_plug_is_in_there_is_nothing_to_prove() -> None:
    fill = Fill(spec_of("75W-90", 0.4, PUMP), 20.0, 1, marks=("pan_placed", "drain_open"))
    fill.put("mark", "lip_proof")
    assert fill.state.fill.proof is None
    fill = filled()
    fill.put("mark", "plug_in")
    fill.put("mark", "lip_proof")
    assert fill.state.fill.proof is None


def test_from_settle_it_goes_back_to_the_fill_and_a_mark_or_top_up_ends_it() -> None:
    fill = filled()
    fill.put("mark", "fill_done")
    fill.run(2.0)
    fill.put("mark", "lip_proof")
    assert fill.state.stage == "fill"
    fill.put("mark", "fill_done")
    assert proof_of(fill).ended == lip.OTHERWISE
    fill.put("mark", "fill_start")
    at_l = fill.delivered_l
    fill.fill(10.0)
    assert fill.delivered_l - at_l < 0.005
    fill.put("mark", "lip_proof")
    fill.put("top_up", 0.05)
    assert proof_of(fill).ended == lip.OTHERWISE
