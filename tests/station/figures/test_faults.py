"""Priors move the way that a shop's record says."""

import math

import pytest
from scipy import stats

from station.figures import faults
from station.figures.witnesses import U_LEVEL_SEEN_REL
from station.given.evidence import MeterRecord
from station.given.limits import LIMITS


def test_agreed_fills_clear_a_meter_and_disagreeing_ones_accuse_it() -> None:
    new = faults.p_meter_off(MeterRecord())
    assert new == faults.P_METER_OFF
    told = [faults.p_meter_off(MeterRecord(fills=n, u_offset_rel=0.02 / n**0.5)) for n in (1, 4, 16)]
    assert new > told[0] > told[1] > told[2]
    assert faults.p_meter_off(MeterRecord(fills=8, offset_rel=0.05, u_offset_rel=0.008)) == faults.MOST_SURE
    assert faults.p_meter_off(MeterRecord(proved=True)) < new


def test_a_meter_known_to_be_off_is_off_by_what_its_fills_say() -> None:
    off, _, _ = faults.meter(3.0, MeterRecord(fills=16, offset_rel=0.05, u_offset_rel=0.005), False)
    whole = sum(part.weight for part in off.parts)
    assert sum(p.weight * p.shift_l for p in off.parts) / whole == pytest.approx(0.15, abs=0.01)


def test_a_meter_may_have_broken_since_its_last_proved_fill() -> None:
    def broken(since: int) -> float:
        return faults.meter(3.0, MeterRecord(fills=9, u_offset_rel=0.01, fills_since=since), False)[1].prior

    assert broken(0) < broken(20) < broken(200) < 0.5
    assert faults.meter(3.0, MeterRecord(), False)[1].prior == 0.0


def test_air_that_was_seen_makes_more_of_it_likelier() -> None:
    assert (
        faults.meter(3.0, MeterRecord(), True)[2].prior > 2 * faults.meter(3.0, MeterRecord(), False)[2].prior
    )


def test_the_more_ran_over_the_surer_the_lip() -> None:
    doubts = [sum(f.prior for f in faults.lip(over_l, 2.9)) for over_l in (0.005, 0.015, 0.05, 0.2)]
    assert doubts == sorted(doubts, reverse=True)
    assert doubts[0] > 0.05
    assert doubts[-1] < 0.0011


def test_a_tick_that_is_missing_tells_of_the_stand() -> None:
    """Of 3,000 vehicles 90 stand off level; a tick is set on 9 of them, and on 1,940 of the 2,910 that stand level. At the
    most some 180 stand off, of which 162 get none, as do 705 of the 2,820 others: nearly one in five."""
    assert faults.p_not_level(checked=True) == pytest.approx(9 / (9 + 1940))
    assert faults.p_not_level(checked=False) == pytest.approx(162 / (162 + 705), abs=0.02)
    (fault,) = faults.not_level(2.9, checked=False)
    assert fault.prior == faults.p_not_level(checked=False)


def test_a_hose_is_cleared_by_a_purge_a_look_and_fills_that_were_borne_out() -> None:
    (new,) = faults.hose(MeterRecord(), 0.0, False)
    assert new.prior == pytest.approx(faults.P_HOSE_EMPTY)
    assert [p.shift_l for p in new.parts] == pytest.approx([0.15, 0.30, 0.45])
    (half,) = faults.hose(MeterRecord(), 0.2, False)
    assert [p.shift_l for p in half.parts] == pytest.approx([0.10, 0.25])
    assert half.prior == pytest.approx(new.prior * 2.0 / 3.0)
    assert faults.hose(MeterRecord(), 0.5, False) == ()
    (seen,) = faults.hose(MeterRecord(), 0.0, True)
    assert seen.prior == pytest.approx(0.1 * new.prior)
    (known,) = faults.hose(MeterRecord(fills=15), 0.0, False)
    assert known.prior == pytest.approx(new.prior / 2.0)


def test_the_first_fill_that_was_learned_from_clears_a_listing_of_nothing_and_three_more_of_nearly_all() -> (
    None
):
    priors = [faults.expected(2.9, fills)[0].prior for fills in (0, 1, 2, 3, 30)]
    assert priors == pytest.approx([0.04, 0.04, 0.04 / 3, 0.04 / 8, 0.04 / 8])


def test_what_came_out_tells_a_capacity_of_another_unit_from_an_axle_that_was_low() -> None:
    right = [faults.p_other(2.87, 0, came_l) for came_l in (2.87, 2.7, 1.5)]
    assert max(right) < 0.05
    assert faults.p_other(9953.0, 0, 2.8) > 0.9
    assert faults.p_other(0.7665, 0, 2.8) > 0.9  # quarts typed as pints and the like
    assert 0.03 < faults.p_other(10.9, 0, 2.8) < 0.3  # three quarters may be missing on arrival, too
    assert faults.p_other(10.9, 3, 2.8) < faults.p_other(10.9, 0, 2.8)
    # A gallon read as litres is as common as all other slips together, and it says where to look.
    assert faults.p_other(10.9, 0, 2.8, (0.264, 0.5, 0.125)) > 0.5
    assert faults.p_other(2.87, 0, 2.8, (0.264, 0.5, 0.125)) < 0.05


def test_another_volume_is_anything_over_two_decades_or_what_the_number_means_in_another_unit() -> None:
    (_, other) = faults.expected(9953.0, 0, 2.8)
    (anything,) = other.parts
    assert anything.alone
    assert 9953.0 - anything.shift_l == pytest.approx(2.8)
    assert 1.0 / (anything.u_l * math.sqrt(2.0 * math.pi)) == pytest.approx(1.0 / (2.8 * math.log(100.0)))
    (_, other) = faults.expected(3.0, 0, 2.8, (0.5, 2.0))
    assert [3.0 - part.shift_l for part in other.parts[1:]] == pytest.approx([1.5, 6.0])
    shares = [other.prior * part.weight / sum(p.weight for p in other.parts) for part in other.parts]
    assert shares == pytest.approx([0.01, 0.015, 0.015])


def test_a_compartment_that_arrives_low_may_have_held_anything_above_what_came_out() -> None:
    """If it holds V, anything up to V may come out: 1 / V for every V above what came. And nothing below it: so much did not come
    out of half of that, of which an axle filled to pints for quarts was once called full."""
    low, _ = faults.drained(2.0)
    parts = [(p.weight, 1.0 + LIMITS.arrives_low_rel - p.shift_l / 2.0, p.u_l / 2.0) for p in low.parts]

    def density(v: float) -> float:
        return float(sum(w * stats.norm.pdf(v, at, u) for w, at, u in parts))

    for v in (1.1, 1.5, 2.5, 4.0, 10.0, 30.0):
        assert density(v) == pytest.approx(1.0 / v, rel=0.15), v
    assert density(0.5) < 1e-6


def test_a_meter_counts_too_little_more_often_than_too_much() -> None:
    off = faults.meter(1.0, MeterRecord(), False)[0].parts
    under = sum(p.weight for p in off if p.shift_l < 0) / sum(p.weight for p in off)
    assert under == pytest.approx(faults.METER_UNDER)
    mean_square = sum(p.weight * (p.shift_l**2 + p.u_l**2) for p in off)
    assert mean_square == pytest.approx(sum(w * rel**2 for w, rel in faults.METER_OFF_REL))


SIZE_L = 2.9


def _seen(level_l: float) -> float:
    """Density of "seen" at a level so far above the lip: sound and every fault together."""
    u_l = U_LEVEL_SEEN_REL * SIZE_L
    wrong = faults.level(SIZE_L, u_l)
    sound = 1.0 - sum(f.prior for f in wrong)
    spread = [(f.prior * p.weight, math.hypot(u_l, p.u_l)) for f in wrong for p in f.parts]
    return float(sum(w * stats.norm.pdf(level_l, 0.0, sd) for w, sd in [(sound, u_l), *spread]))


@pytest.mark.parametrize(("low_rel", "once_in"), [(0.05, 25.0), (0.15, 30.0), (0.5, 30.0)])
def test_seen_is_said_once_in_thirty_times_of_a_level_that_is_lower(low_rel: float, once_in: float) -> None:
    """A mark is a yes and no reading: the odds of saying it there and at the plug, by the densities of the classes. Who does
    not look says it of any level alike: it was once worth 5,000 to 1 against half a fill."""
    assert _seen(-low_rel * SIZE_L) / _seen(0.0) == pytest.approx(1.0 / once_in, rel=0.1)


def test_a_mark_without_a_look_is_set_as_often_as_is_stated() -> None:
    """So many of all marks at a level that stands at the plug, where everybody sets it."""
    u_l = U_LEVEL_SEEN_REL * SIZE_L
    ticked = next(f for f in faults.level(SIZE_L, u_l) if f.name == "not looked")
    (part,) = ticked.parts
    sound = 1.0 - sum(f.prior for f in faults.level(SIZE_L, u_l))
    odds = (ticked.prior / part.u_l) / (sound / u_l)
    assert odds == pytest.approx(
        faults.P_LEVEL_TICKED / (1.0 - faults.P_LEVEL_TICKED - faults.P_LEVEL_MISREAD)
    )
