"""Fusion against a decision between two numbers, against Monte Carlo, and in the cases that a shop meets."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from station.figures import faults
from station.figures.evidence import About, Fault, Part, Witness, fuse, t_scales
from station.given.evidence import MeterRecord
from station.verdict import judge

E_L, U_E_L, TOL_L = 2.9, 0.03, 0.1


def expected(value_l: float = E_L, u_l: float = U_E_L, **more: object) -> Witness:
    return Witness("expected fill", About.EXPECTED, value_l, u_l, **more)  # type: ignore[arg-type]


def meter(value_l: float, u_l: float = 0.006, **more: object) -> Witness:
    return Witness("meter", About.FILLED, value_l, u_l, **more)  # type: ignore[arg-type]


@given(
    st.floats(2.0, 4.0), st.floats(1e-3, 0.2), st.floats(2.0, 4.0), st.floats(1e-3, 0.2), st.floats(0.0, 0.3)
)
def test_two_witnesses_without_faults_are_judged_as_two_numbers(
    filled_l: float, u_l: float, expected_l: float, u_e_l: float, tol_l: float
) -> None:
    known = judge(filled_l, u_l, expected_l, u_e_l, tol_l, 0.5 * tol_l)
    found = fuse([expected(expected_l, u_e_l), meter(filled_l, u_l)], tol_l, 0.5 * tol_l).judgement
    assert (found.p_short, found.p_within, found.p_over) == pytest.approx(
        (known.p_short, known.p_within, known.p_over), abs=1e-9
    )


@pytest.mark.parametrize("above", [1.0, 0.1])
def test_a_mixture_agrees_with_drawing_from_it(above: float) -> None:
    """Importance sampling: draw the truth and every class, weigh each draw by how well it gives what was said."""
    rng = np.random.default_rng(20261125)
    n = 400_000
    off = Fault("off", 0.2, (Part(0.5, 0.0, 0.1), Part(0.5, 0.15, 0.05)))
    early = Fault("early", 0.1, (Part(1.0, 0.2, 0.1),))
    said = [
        expected(2.9, 0.04, faults=(Fault("wrong", 0.1, (Part(1.0, 0.0, 0.2),)),)),
        meter(2.98, 0.02, faults=(off,)),
        Witness("container", About.FILLED, 2.93, 0.05),
        Witness("lip", About.LEVEL, 0.0, 0.02, faults=(early,)),
    ]
    filled = rng.uniform(1.9, 3.9, n)
    should = rng.uniform(1.9, 3.9, n)
    logw = np.zeros(n)
    for witness, truth in zip(said, (should, filled, filled, filled - should), strict=True):
        density = np.zeros(n)
        classes = [(1.0 - sum(f.prior for f in witness.faults), 0.0, 0.0)]
        classes += [(f.prior * p.weight, p.shift_l, p.u_l) for f in witness.faults for p in f.parts]
        for weight, shift, u in classes:
            density += weight * stats.norm.pdf(witness.value_l, truth + shift, math.hypot(u, witness.u_l))
        logw += np.log(density)
    w = np.exp(logw - logw.max()) * np.where(filled > should, above, 1.0)
    short = float((w * (filled - should < -0.1)).sum() / w.sum())
    over = float((w * (filled - should > 0.1)).sum() / w.sum())
    found = fuse(said, 0.1, 0.1, above)
    assert found.judgement.p_short == pytest.approx(short, abs=0.01)
    assert found.judgement.p_over == pytest.approx(over, abs=0.01)


@pytest.mark.parametrize("dof", [2.0, 4.0, 9.0, 30.0])
def test_the_parts_of_a_t_distribution_add_up_to_it(dof: float) -> None:
    parts = t_scales(dof)
    for z in (0.5, 1.0, 1.96, 2.5, 3.5):
        found = sum(w * 2.0 * stats.norm.sf(z / scale) for w, scale in parts)
        assert found == pytest.approx(2.0 * stats.t.sf(z, dof), rel=0.03, abs=2e-4)


def test_few_degrees_of_freedom_take_a_verdict_back() -> None:
    """At 4 degrees of freedom what a normal distribution calls 0.950 is 0.912 within (scipy.stats.t.cdf)."""
    wide = fuse([expected(u_l=0.0), meter(E_L + 0.1 - 1.645 * 0.01, 0.01)], 9.0, 0.1).judgement
    few = fuse([expected(u_l=0.0), meter(E_L + 0.1 - 1.645 * 0.01, 0.01, dof=4.0)], 9.0, 0.1).judgement
    assert wide.p_within == pytest.approx(0.950, abs=1e-3)
    assert few.p_within == pytest.approx(float(stats.t.cdf(1.645, 4)), abs=2e-3)
    assert few.verdict == "undecided"


def said(
    metered_rel: float, over_l: float = 0.0, seen: bool = False, record: MeterRecord | None = None
) -> list[Witness]:
    """A fill of 2.9 L whose meter says so many hundredths more, of which over_l ran over."""
    record = MeterRecord() if record is None else record
    filled_l = E_L * (1.0 + metered_rel)
    found = [
        expected(faults=faults.expected(E_L, 0)),
        meter(filled_l, faults=faults.meter(filled_l + over_l, record, False)),
    ]
    if over_l:
        found.append(Witness("lip", About.LEVEL, 0.0, 0.018, faults=faults.lip(over_l, E_L)))
    if seen:
        found.append(Witness("level", About.LEVEL, 0.0, 0.029, faults=faults.level(E_L, 0.029)))
    return found


def verdict(*args: object, **more: object) -> str:
    return fuse(said(*args, **more), TOL_L, TOL_L).judgement.verdict  # type: ignore[arg-type]


@pytest.mark.parametrize("metered_rel", [-0.02, 0.0, 0.02])
def test_a_new_shops_meter_alone_decides_nothing(metered_rel: float) -> None:
    assert verdict(metered_rel) == "undecided"
    assert verdict(metered_rel, record=MeterRecord(proved=True)) == "undecided"


def test_a_meter_that_agreed_with_level_proved_fills_decides_alone() -> None:
    assert verdict(0.0, record=MeterRecord(fills=6, u_offset_rel=0.008, proved=True)) == "full"
    off = MeterRecord(fills=6, offset_rel=0.045, u_offset_rel=0.008)
    assert verdict(0.0, record=off) == "undecided"
    assert fuse(said(0.0, record=off), TOL_L, TOL_L).judgement.p_short > 0.6
    assert verdict(0.0, record=MeterRecord(fills=6, u_offset_rel=0.008, fills_since=60)) == "undecided"


@pytest.mark.parametrize("metered_rel", [-0.05, -0.035, 0.0, 0.035, 0.05])
@pytest.mark.parametrize("over_l", [0.1, 0.25])
def test_the_lip_is_proof_whatever_the_meter_says(metered_rel: float, over_l: float) -> None:
    found = fuse(said(metered_rel, over_l), TOL_L, TOL_L)
    assert found.judgement.verdict == "full"
    if abs(metered_rel) > 0.04:
        assert found.sound("meter") < 0.5 < found.sound("lip")


def test_a_few_drops_in_the_pan_do_not_outvote_a_meter_that_says_far_less() -> None:
    assert verdict(-0.05, 0.012) == "undecided"
    assert verdict(0.0, 0.015) == "full"


@pytest.mark.parametrize("metered_rel", [0.06, 0.10, 0.15])
def test_a_level_seen_against_a_meter_far_above_is_no_full(metered_rel: float) -> None:
    found = fuse(said(metered_rel, seen=True), TOL_L, TOL_L)
    assert found.judgement.verdict in ("undecided", "over")


def test_meter_and_level_that_agree_are_full() -> None:
    assert verdict(0.005, seen=True) == "full"


@pytest.mark.parametrize("side", [-0.06, 0.06])
def test_two_volumes_against_the_lip_leave_the_vehicles_stand_open(side: float) -> None:
    """Meter and container share no fault: then it is the listing, or the vehicle does not stand level."""
    tolerance_l, size_l = 0.24, 6.0
    filled_l = (1.0 + side) * size_l
    heard = [
        Witness("expected", About.EXPECTED, size_l, 0.05, faults=faults.expected(size_l, 0, size_l)),
        Witness("meter", About.FILLED, filled_l, 0.02, faults=faults.meter(filled_l, MeterRecord(), False)),
        Witness("container", About.FILLED, filled_l, 0.03, faults=faults.container(filled_l)),
        Witness("lip", About.LEVEL, 0.0, 0.02, faults=faults.lip(0.1, size_l)),
        Witness("level", About.LEVEL, 0.0, 0.06, faults=faults.level(size_l, 0.06)),
    ]
    stand = Witness("stand", About.STAND, 0.0, 0.0, faults=faults.not_level(size_l, checked=False))
    assert fuse(heard, tolerance_l, tolerance_l).judgement.verdict == "full"
    found = fuse([*heard, stand], tolerance_l, tolerance_l)
    assert found.judgement.verdict == "undecided"
    assert found.sound("stand") < 0.95
    agreed = [w for w in heard if w.about is not About.FILLED]
    agreed.append(
        Witness("meter", About.FILLED, size_l, 0.02, faults=faults.meter(size_l, MeterRecord(), False))
    )
    cleared = 1.0 - fuse([*agreed, stand], tolerance_l, tolerance_l).sound("stand")
    assert cleared < 0.2 * faults.p_not_level(checked=False)


@given(st.floats(-0.15, 0.15), st.sampled_from([0.0, 0.02, 0.1]), st.booleans())
def test_probabilities_add_up(metered_rel: float, over_l: float, seen: bool) -> None:
    found = fuse(said(metered_rel, over_l, seen), TOL_L, TOL_L)
    j = found.judgement
    assert j.p_short + j.p_within + j.p_over == pytest.approx(1.0, abs=1e-12)
    for classes in found.classes.values():
        assert sum(classes.values()) == pytest.approx(1.0, abs=1e-9)


def test_what_cannot_be_judged_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="no witness tells of the level"):
        fuse([meter(2.9)], 0.1, 0.1)
    with pytest.raises(ValueError, match="share a name"):
        fuse([expected(), meter(2.9), meter(2.9)], 0.1, 0.1)
    with pytest.raises(ValueError, match="meter: nan L"):
        meter(math.nan)
    with pytest.raises(ValueError, match=r"prior of 1\.2 together"):
        meter(2.9, faults=(Fault("a", 0.6, ()), Fault("b", 0.6, ())))
    with pytest.raises(ValueError, match="zero or more"):
        fuse([expected(), meter(2.9)], -0.1, 0.1)
