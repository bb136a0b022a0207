"""What is said of a fill, in the words of the sheet. The cases are those of a shop; the states are put together by hand."""

from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from calibration.fluid import Fluid
from station.common.evolve import evolve
from station.core import second_pan
from station.core.state import BayState, Drain, Fill, Hearing, LipProof, Said
from station.figures import balance, weighed
from station.figures.sheet import text_sheet
from station.filling.expecting import Film, expecting, proved_l
from station.filling.metering import MeterTrack
from station.given.evidence import ContainerWeighing, MeterRecord
from station.given.job import JobSpec
from station.given.lines import MeterLine, PanLine
from station.given.pumping import PumpLine
from station.weighing.leak import LeakWatch
from station.weighing.lines import Level
from station.weighing.rest import Drift

OIL = Fluid(
    "lubricant", density_15_kg_m3=880.0, kv40_mm2_s=120.0, kv100_mm2_s=14.5, density_origin="data sheet"
)
KG_PER_L = OIL.density_kg_m3(20.0) / 1000.0


def fill(
    metered_l: float,
    over_l: float = 0.0,
    seen: bool = False,
    stands_level: bool = True,
    hose_full: bool = True,
    supply_c: float = 20.0,
    capacity_l: float = 2.9,
    **more: Any,
) -> BayState:
    spec = JobSpec(
        f"{capacity_l:.2f} L", capacity_l, "cover removed", OIL, OIL, PanLine(0.0, 4.0e-6, 0.0005, 25.0),
        MeterLine(400.0, 0.0015), retained_l=0.01 * capacity_l, u_retained_l=0.005 * capacity_l, **more,
    )  # fmt: skip
    looked = {"level_seen": seen, "stands_level": stands_level, "hose_full": hose_full}
    marks = tuple((mark, 0.5) for mark, done in looked.items() if done)
    levels = [
        Level(t_s, kg, 1e-4) for t_s, kg in ((0.0, 0.0), (14400.0, 2.4), (15700.0, 2.4 + over_l * KG_PER_L))
    ]
    return BayState(
        spec,
        drain=Drain(before=levels[0], taken=levels[1]),
        fill=Fill(base=Level(15400.0, 2.4, 1e-4), end=levels[2]),
        meter=MeterTrack(pulses=1150, volume_l=metered_l, supply_c=supply_c),
        hearing=Hearing(last_t_s={"meter": 1.0}),
        said=Said(marks=marks),
    )


def said(state: BayState) -> tuple[str, str]:
    report = balance.report(state)
    assert report.verdict_text is not None
    assert report.verdict_text in text_sheet(report, {})
    return report.verdict, report.verdict_text


def test_meter_and_lip_that_agree() -> None:
    assert said(fill(2.90, over_l=0.03)) == ("full", "full: meter and lip agree")


@pytest.mark.parametrize("over_l", [0.10, 0.25])
def test_the_lip_against_a_meter_that_counts_too_little(over_l: float) -> None:
    verdict, text = said(fill(2.871 * 0.95 + over_l, over_l))
    assert (verdict, text) == ("full", "full at the lip; the meter says 5 % less: prove it")


def test_a_lip_whose_stand_nobody_checked_says_so() -> None:
    verdict, text = said(fill(2.90, over_l=0.03, stands_level=False))
    assert (verdict, text) == (
        "full",
        "full: meter and lip agree; nobody laid a spirit level on the housing",
    )
    state = fill(2.87 * 0.95 + 0.15, over_l=0.15, stands_level=False)
    verdict, text = said(state)
    assert verdict == "undecided"
    assert "the meter says 5 % less than expected" in text
    assert "Lay a spirit level on the housing, along and across, and look again" in text
    row = next(row for row in balance.report(state).witnesses if row.name == "stand")
    assert (row.says_l, row.word) == (None, "nobody laid a spirit level on the housing")
    assert "stand                 : nobody laid a spirit level" in text_sheet(balance.report(state), {})


def test_a_spirit_level_is_a_word_of_the_stand_and_of_nothing_else() -> None:
    report = balance.report(fill(2.90, over_l=0.03))
    row = next(row for row in report.witnesses if row.name == "stand")
    assert row.word == "stands level: a spirit level says so"
    assert report.stands_level
    alone = balance.report(fill(2.87))
    assert "stand" not in [row.name for row in alone.witnesses]  # nothing tells of the level
    seen = balance.report(fill(2.87, seen=True, stands_level=False))
    assert "nobody laid a spirit level" in (seen.verdict_text or "")


RECORDS = (MeterRecord(), MeterRecord(proved=True), MeterRecord(10, 0.0, 0.006, 0))


@pytest.mark.parametrize("unseen", ["stands_level", "hose_full"])
@settings(max_examples=15)
@given(
    st.floats(-0.20, 0.20),
    st.sampled_from([0.0, 0.012, 0.03, 0.15]),
    st.booleans(),
    st.sampled_from(RECORDS),
    st.sampled_from([None, 0.0, -0.05]),
)
@example(-0.12, 0.15, False, RECORDS[0], 0.0)
@example(0.109375, 0.03, False, RECORDS[1], 0.0)
def test_what_nobody_looked_at_never_makes_a_doubt_smaller(
    unseen: str,
    metered_rel: float,
    over_l: float,
    seen: bool,
    record: MeterRecord,
    container_rel: float | None,
) -> None:
    """What the mark leaves open is never decided without it, and nothing is decided with more certainty."""
    more: dict[str, Any] = {"meter_record": record, "seen": seen}
    if container_rel is not None:
        kg = 2.871 * (1.0 + metered_rel + container_rel) * KG_PER_L
        more["container"] = ContainerWeighing(50.0, 50.0 - kg, 0.01)
    went_in_l = 2.871 * (1.0 + metered_rel) + over_l
    with_it, without = (
        balance.report(fill(went_in_l, over_l, **{unseen: one}, **more)) for one in (True, False)
    )
    for name in ("drained", "metered", "overflow", "filled", "expected_fill"):
        assert getattr(without, f"{name}_u95_l") >= getattr(with_it, f"{name}_u95_l")
    if without.verdict != "undecided":
        p = {"short": "p_short", "full": "p_within", "over": "p_over"}[without.verdict]
        assert with_it.verdict == without.verdict
        assert getattr(without, p) <= getattr(with_it, p) + 1e-12


def test_a_meter_alone_is_told_as_such() -> None:
    assert said(fill(2.87)) == (
        "undecided",
        "2.87 L by the meter alone: let a little run over the lip, or look",
    )
    known = MeterRecord(fills=20, u_offset_rel=0.003, proved=True)
    verdict, text = said(fill(2.87, meter_record=known, learned_from=8))
    assert (verdict, text) == ("full", "full by the meter alone, whose record makes a fault improbable")
    off = MeterRecord(fills=20, offset_rel=0.05, u_offset_rel=0.003, proved=True)
    accused = balance.report(fill(2.87, meter_record=off, learned_from=8)).to_dict()
    assert accused["verdict"] != "full"
    assert accused["p_short"] > 0.8
    verdict, text = said(fill(1.0, meter_record=off, learned_from=8))
    assert (verdict, text) == ("short", "short: meter may well be off, but not by so much")


def test_a_level_seen_and_a_meter_far_above_is_a_contradiction_by_name() -> None:
    verdict, text = said(fill(2.87 * 1.10, seen=True))
    assert verdict == "undecided"
    assert text.startswith("the level was seen at the plug, but the meter says 10 % more than expected")
    assert "the listing, the vehicle's stand or the meter" in text


def test_a_level_seen_and_a_meter_near_it_that_are_not_sure_enough_accuse_nobody() -> None:
    verdict, text = said(fill(2.95, seen=True, stands_level=False))
    assert verdict == "undecided"
    assert text.startswith(
        "the level was seen at the plug, with 2.95 L by the meter where 2.87 L are expected; that is not sure enough together: "
        "lay a spirit level"
    )


def test_a_container_that_says_the_same_is_a_second_witness() -> None:
    kg = 2.87 * KG_PER_L * (1 - 1.2 / 877 + 1.2 / 8000)
    report = balance.report(
        fill(2.87, container=ContainerWeighing(50.0, 50.0 - kg, 0.01), learned_from=4)
    ).to_dict()
    row = next(row for row in report["witnesses"] if row["name"] == "container")
    assert row["says_l"] == pytest.approx(2.87, abs=0.002)
    assert (report["verdict"], report["verdict_text"]) == ("full", "full: meter and container agree")


def test_meter_and_container_both_stand_before_a_hose_that_may_have_run_empty() -> None:
    """What stayed in it went past the meter and out of the container alike; a purge fills it, and so does who looks."""
    weighed_out = ContainerWeighing(50.0, 50.0 - 2.87 * KG_PER_L, 0.01)
    bare = fill(2.87, container=weighed_out, hose_full=False)
    assert said(bare) == (
        "undecided",
        "2.87 L by the meter and 2.87 L by the container: let a little run over the lip, or look; nobody saw the hose full",
    )
    row = next(row for row in balance.report(bare).witnesses if row.name == "hose")
    assert (row.says_l, row.word) == (None, "nobody saw the hose full")
    purged = evolve(bare, supply=evolve(bare.supply, purged_l=0.5))
    poured = evolve(
        purged, spec=evolve(bare.spec, container=ContainerWeighing(50.0, 50.0 - 3.37 * KG_PER_L, 0.01))
    )
    assert said(poured) == ("full", "full: meter and container agree")
    seen = balance.report(fill(2.87, container=weighed_out))
    assert seen.verdict == "full"
    assert "was full: no bubbles came at its end" in [row.word for row in seen.witnesses]
    alone = balance.report(fill(2.87, hose_full=False))  # the meter's own fault of air says as much
    assert "hose" not in [row.name for row in alone.witnesses]


@pytest.mark.parametrize("supply_c", [4.0, 35.0])
@pytest.mark.parametrize("capacity_l", [6.5, 9.0])
def test_a_fill_to_the_lip_in_heat_or_frost_is_full(supply_c: float, capacity_l: float) -> None:
    """The compartment takes its geometric volume at the fill's temperature: at 20 °C that is V · ρ(t) / ρ(20)."""
    factor = OIL.density_kg_m3(supply_c) / OIL.density_kg_m3(20.0)
    went_in_l = 0.99 * capacity_l * factor
    assert abs(factor - 1.0) * capacity_l > 0.05
    assert said(fill(went_in_l + 0.02, 0.02, supply_c=supply_c, capacity_l=capacity_l))[0] == "full"
    report = balance.report(fill(went_in_l, supply_c=supply_c, capacity_l=capacity_l)).to_dict()
    assert report["expected_fill_l"] == pytest.approx(went_in_l, abs=0.003)


def test_a_capacity_in_another_unit_does_not_outvote_the_lip() -> None:
    """2.4 kg came out, 2.85 L went in and some ran over the lip; 2.9 US gallons were typed."""
    verdict, text = said(fill(2.85 + 0.09, over_l=0.09, capacity_l=10.98))
    assert verdict == "full"
    assert "the capacity says 10.87 L and is not this compartment's" in text
    assert said(fill(2.85, capacity_l=10.98))[0] != "full"  # without the lip nobody knows


def test_old_fluid_on_the_walls_is_expected_to_be_missing() -> None:
    spec = fill(2.9).spec
    usual = expecting(spec, None, None, 20.0)
    short_drain = expecting(spec, Film(0.26, 0.05), 120.0, 20.0)
    assert usual.value_l - short_drain.value_l == pytest.approx(0.26 - 0.004 * 2.9, abs=1e-9)
    unseen = expecting(spec, None, 120.0, 20.0)
    assert unseen.u_l > 3.0 * usual.u_l  # nobody knows, so the doubt is wide
    assert expecting(spec, None, 3600.0, 20.0).u_l < unseen.u_l
    assert expecting(spec, None, None, None).u_l > usual.u_l  # nor what the temperature was


def test_history_is_kept_as_what_the_plug_fixes() -> None:
    """Filled in frost and in summer, with little and much left on the walls, one compartment teaches one figure."""
    spec = fill(2.9).spec
    taught = []
    for supply_c, film_l in ((4.0, 0.01), (35.0, 0.20)):
        now = expecting(spec, Film(film_l, 0.01), 900.0, supply_c)
        taught.append(proved_l(spec, now, now.value_l))
    assert taught[0] == pytest.approx(taught[1], abs=1e-9)


def test_nobody_heard_is_no_verdict() -> None:
    report = balance.report(BayState(fill(2.9).spec)).to_dict()
    assert report["verdict"] == "undecided"
    assert report["witnesses"] == []
    assert report["verdict_text"] is None


def proved(state: BayState, pushed_l: float, over_l: float, at_s: float | None) -> BayState:
    proof = LipProof(
        15500.0,
        state.meter.volume_l - pushed_l,
        read_l=state.meter.volume_l,
        over_kg=over_l * KG_PER_L,
        proved_s=at_s,
    )
    return evolve(state, fill=evolve(state.fill, proof=proof))


def test_a_proof_at_the_lip_is_believed_more_than_a_spill() -> None:
    bare = fill(2.90, over_l=0.015)
    known = proved(bare, 0.06, 0.014, 15600.0)
    sound = [
        next(row["p_sound"] for row in balance.report(s).to_dict()["witnesses"] if row["name"] == "lip")
        for s in (bare, known)
    ]
    assert sound[1] > sound[0]


def test_a_lip_that_stayed_dry_calls_no_fill_full_or_over() -> None:
    """Whatever the meter says: at the plug nothing can stand above the lip, and what was pushed never got there."""
    record = MeterRecord(fills=20, u_offset_rel=0.003, proved=True)
    known = fill(3.12, meter_record=record, learned_from=8)
    assert balance.report(known).to_dict()["verdict"] == "over"
    verdict, text = said(proved(known, 0.15, 0.0, None))
    assert verdict not in ("full", "over"), text
    assert "nothing ran over the lip" in text or "dry lip" in text


def test_what_stands_above_the_lip_would_have_run_into_the_pan() -> None:
    """A meter of good repute says 5 % more than fits; a pan that watched and saw nothing doubts it, one that did not cannot."""
    record = MeterRecord(fills=20, u_offset_rel=0.003, proved=True)
    watched = fill(3.02, meter_record=record, learned_from=8)
    unwatched = evolve(watched, fill=evolve(watched.fill, base=None, end=None))
    assert said(unwatched)[0] == "over"
    assert said(watched) == (
        "undecided",
        "3.02 L by the meter, and nothing ran over the lip: look at the level, the vehicle's stand and the capacity",
    )


def test_a_mark_that_the_level_was_seen_does_not_make_the_pan_forget_that_nothing_ran_over() -> None:
    watched = fill(2.95, seen=True)
    unwatched = evolve(watched, fill=evolve(watched.fill, base=None, end=None))
    p_over = [balance.report(state).p_over for state in (watched, unwatched)]
    assert None not in p_over
    assert p_over[0] < 0.5 * p_over[1]  # type: ignore[operator]


@pytest.mark.parametrize(("listed_l", "decided"), [(2.90, True), (2.64, False)])
def test_more_came_out_than_is_listed(listed_l: float, decided: bool) -> None:
    """2.4 kg, 2.74 L, came out. A compartment may arrive low, and hardly ever over: then a listing is too small, whatever
    meter and container say of what went in."""
    went_in_l = 0.99 * listed_l
    kg = went_in_l * KG_PER_L * (1 - 1.2 / 877 + 1.2 / 8000)
    report = balance.report(
        fill(went_in_l, capacity_l=listed_l, container=ContainerWeighing(50.0, 50.0 - kg, 0.01))
    )
    assert (report.verdict == "full") == decided
    came = next(row for row in report.witnesses if row.name == "drained")
    assert came.says_l == pytest.approx(2.85, abs=0.02)


def test_meter_and_container_that_agree_against_the_lip_leave_it_open() -> None:
    """6 % less than came out and than is listed went in when it ran over: the vehicle does not stand level, or all of them
    are wrong."""
    went_in_l = 0.94 * 2.871
    kg = (went_in_l + 0.08) * KG_PER_L * (1 - 1.2 / 877 + 1.2 / 8000)
    leaning = fill(went_in_l + 0.08, over_l=0.08, container=ContainerWeighing(50.0, 50.0 - kg, 0.01))
    verdict, text = said(leaning)
    assert verdict == "undecided"
    assert "the vehicle's stand" in text


def test_the_pumps_time_alone_says_nothing_of_a_fill() -> None:
    """A run that was let go before the meter spoke, as when a proving run is dropped with the pump on."""
    ran = evolve(
        fill(0.0, pump=PumpLine(3.2)),
        meter=MeterTrack(pumped_s=8.0, supply_c=20.0, kv_mm2_s=120.0),
        hearing=Hearing(),
    )
    assert balance.report(ran).verdict_text is None


@pytest.mark.parametrize(("leaked_l", "speaks"), [(0.0, True), (0.010, True), (0.015, False)])
def test_what_a_joint_leaks_into_the_pan_is_no_lip(
    monkeypatch: pytest.MonkeyPatch, leaked_l: float, speaks: bool
) -> None:
    """30 mL in the pan over five minutes, of which the leak that the watch found brought so much."""
    rate_l_h = leaked_l * 3600.0 / 300.0
    monkeypatch.setattr(weighed, "leak_watch", lambda state: LeakWatch(rate_l_h, 0.01))
    state = fill(2.90, over_l=0.03)
    assert ("lip" in [w.name for w in balance.report(state).witnesses]) == speaks
    verdict, text = said(state)
    assert (verdict == "full") == speaks
    assert ("than what leaks" in text) != speaks


@pytest.mark.parametrize(("unseen_l", "why"), [(0.0, "than what leaks"), (0.015, "stopped drying")])
def test_a_leak_that_is_left_open_keeps_the_lip_silent_and_is_not_called_one(
    monkeypatch: pytest.MonkeyPatch, unseen_l: float, why: str
) -> None:
    """30 mL in the pan over five minutes, of which up to 15 mL leaked, or so much of them only did not dry."""
    watched = LeakWatch(0.015 * 12.0, 0.01, unseen_l * 12.0)
    monkeypatch.setattr(weighed, "leak_watch", lambda state: watched)
    state = fill(2.90, over_l=0.030)
    assert "lip" not in [w.name for w in balance.report(state).witnesses]
    assert why in said(state)[1]


def test_two_pans_keep_what_leaks_into_one_apart_from_what_dries_in_the_other(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """200 mL/h dry on in the one, and 50 leak into the other; or 200 stopped drying in the one."""
    dries, leaks, stopped = LeakWatch(0.0, 0.01), LeakWatch(0.05, 0.01), LeakWatch(0.2, 0.01, 0.2)
    for each, found in (((dries, leaks), True), ((stopped, dries), False), ((stopped, leaks), True)):
        here = iter(each)
        monkeypatch.setattr(weighed, "_leak_here", lambda state, here=here: next(here))
        monkeypatch.setattr(second_pan, "pans", lambda state: (state, state))
        watched = weighed.leak_watch(drying(0.0))
        assert watched is not None
        assert watched.found == found


def drying(over_l: float) -> BayState:
    """Solvent in the pan that dried at 3 g a minute until the fill: five minutes of it are 17 mL."""
    state = fill(2.90, over_l=over_l)
    return evolve(state, weighing=evolve(state.weighing, drift=Drift(15400.0, -5e-5)))


@pytest.mark.parametrize(("gained_l", "speaks"), [(0.0, False), (0.006, False), (0.02, True)])
def test_what_only_did_not_dry_is_no_lip(gained_l: float, speaks: bool) -> None:
    """A pan that has gained nothing has 17 mL in it that nobody saw come; one that has gained 20 mL has them whatever dries."""
    state = drying(gained_l)
    report = balance.report(state)
    assert report.overflow_l == pytest.approx(gained_l + 0.017, abs=5e-4)
    assert ("lip" in [w.name for w in report.witnesses]) == speaks
    verdict, text = said(state)
    assert (verdict == "full") == speaks
    assert ("stopped drying" in text) != speaks


@pytest.mark.parametrize(
    ("answered_l", "at_s", "speaks"), [(0.017, 15600.0, True), (0.014, None, True), (0.003, None, False)]
)
def test_what_answered_a_proof_came_whatever_dries(
    answered_l: float, at_s: float | None, speaks: bool
) -> None:
    state = proved(drying(0.0), 0.06, answered_l, at_s)
    assert ("lip" in [w.name for w in balance.report(state).witnesses]) == speaks


@pytest.mark.parametrize("came_kg", [0.0, 0.001, 0.002, 0.004])
def test_a_drain_within_its_doubt_of_nothing_says_nothing_of_what_goes_in(came_kg: float) -> None:
    """A pan that wandered by a gram or two is no compartment of two millilitres."""
    state = fill(0.06)
    assert state.drain.before is not None
    taken = Level(14400.0, came_kg, 1e-3)
    base, end = Level(15400.0, came_kg, 1e-4), Level(15700.0, came_kg, 1e-4)
    state = evolve(state, drain=evolve(state.drain, taken=taken), fill=evolve(state.fill, base=base, end=end))
    assert said(state)[0] == "short"
