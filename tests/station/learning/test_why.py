"""Causes are found where they are, and not where they are not."""

import itertools
import math
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from calibration.budget import expanded
from station.common.units import parse_volume_l
from station.given.evidence import UNKNOWN_METER, MeterRecord
from station.given.listing import UNITS_L
from station.given.pump_run import PumpRun
from station.given.report import DRAIN_CUT_SHORT, Report, Told
from station.learning import history
from station.learning.condition import Condition
from station.learning.expected import learn
from station.learning.mixup import CLOSE, Figure, find, in_other_units, judge_units, typed_unit
from station.learning.settling import what_settles
from station.learning.why import Facts, Previous, causes
from tests.station.shop_rows import ROW, shop

PAIRS = list(itertools.permutations(UNITS_L, 2))
NOISE = 0.01

FACTS = Facts(
    capacity_text="2.9 L",
    listed_l=2.9,
    expected_l=2.87,
    u_expected_l=0.015,
    tolerance_minus_l=0.10,
    tolerance_plus_l=0.10,
    drained_l=2.86,
    u_drained_l=0.005,
    metered_l=2.88,
    overflow_l=0.0,
    u_overflow_l=0.002,
    filled_l=2.88,
    u_filled_l=0.006,
    level_seen=True,
)


def kinds(facts: Facts) -> list[str]:
    return [cause.kind for cause in causes(facts)]


def drained(true_l: float, draw: np.random.Generator) -> list[Figure]:
    seen_l = true_l * (1.0 + NOISE * draw.standard_normal())
    return [Figure("drained", seen_l, NOISE * seen_l)]


def test_units_are_those_of_the_unit_reader() -> None:
    assert len(UNITS_L) == 7
    for name, litres in UNITS_L.items():
        assert parse_volume_l(f"1 {name}") == pytest.approx(litres, rel=1e-12)
        assert typed_unit(f"6 1/2 {name}") == name
    assert typed_unit("3 qt", "us") == "US quart"
    assert typed_unit("3 qt", "imperial") == "imperial quart"
    assert typed_unit("2900 mL") is None
    assert in_other_units("2.9 L", 2.9, "imperial") == ("5.1 imperial pint", "2.55 imperial quart")
    assert in_other_units("2900 mL", 2.9) == ("2.9 L",)


@pytest.mark.parametrize(("typed", "meant"), PAIRS, ids=[f"{a} for {b}" for a, b in PAIRS])
def test_a_unit_mixup_is_found_from_the_drained_figure_at_one_percent_noise(typed: str, meant: str) -> None:
    """Before the fill. The exact ratio is always found; 1 % noise hides it in at most one case out of twenty."""
    listed_l, true_l = 3.1 * UNITS_L[typed], 3.1 * UNITS_L[meant]
    exact = find(typed, listed_l, listed_l, 0.0, [Figure("drained", true_l, NOISE * true_l)])
    assert exact is not None
    assert exact.meant == meant
    close = abs(math.log(UNITS_L[meant] / UNITS_L[typed])) < CLOSE
    assert exact.certainty == ("possible" if close else "likely")
    assert f"3.1 {meant} would be" in exact.text
    draw = np.random.default_rng(PAIRS.index((typed, meant)))
    found = [find(typed, listed_l, listed_l, 0.0, drained(true_l, draw)) for _ in range(200)]
    assert sum(one is not None and one.meant == meant for one in found) >= 190
    if close:
        assert all(one is None or one.certainty == "possible" for one in found)


def test_the_close_pairs_are_quart_and_litre() -> None:
    close = {frozenset(p) for p in PAIRS if abs(math.log(UNITS_L[p[0]] / UNITS_L[p[1]])) < CLOSE}
    assert close == {frozenset({"L", "US quart"})}


def test_close_pairs_are_less_certain_than_distant_ones_until_history_agrees() -> None:
    def at(meant: str, *more: Figure) -> float:
        true_l = 3.0 * UNITS_L[meant]
        one = find("L", 3.0, 3.0, 0.0, [Figure("drained", true_l, NOISE * true_l), *more])
        assert one is not None
        return one.probability

    quart_l = 3.0 * UNITS_L["US quart"]
    assert at("US quart") < 0.7 < 0.95 < at("US pint")
    assert at("US quart", Figure("the shop's 9 jobs", quart_l, 0.01)) > at("US quart")
    both = find("L", 3.0, 3.0, 0.0, [Figure(n, quart_l, 0.01) for n in ("drained", "the shop's 9 jobs")])
    assert both is not None
    assert both.certainty == "likely"


def test_at_most_one_false_alarm_in_a_thousand_right_listings() -> None:
    """20,000 right listings per unit at 1 % noise; 1 in 1,000 would be 20 for each."""
    draw = np.random.default_rng(77)
    for unit, litres in UNITS_L.items():
        listed_l = 3.1 * litres
        alarms = sum(
            find(unit, listed_l, listed_l, 0.0, drained(listed_l, draw)) is not None for _ in range(20_000)
        )
        assert alarms <= 20, unit


def test_probabilities_are_probabilities() -> None:
    right = judge_units("L", 3.0, 3.0, 0.0, [Figure("drained", 3.0, 0.02)])
    assert {unit for unit, _ in right} == set(UNITS_L)
    assert right[0][0] == "L"
    assert right[0][1] > 0.95
    assert sum(p for _, p in right) < 1.0  # the rest: something else is off
    off = judge_units("L", 3.0, 3.0, 0.0, [Figure("drained", 2.5, 0.02)])  # no unit lies there
    assert sum(p for _, p in off) < 0.1
    with pytest.raises(ValueError, match="unit is 'firkin'"):
        judge_units("firkin", 3.0, 3.0, 0.0, [])
    with pytest.raises(ValueError, match="listed_l"):
        judge_units("L", 0.0, 3.0, 0.0, [])


OVERFILLED = replace(
    FACTS, metered_l=3.35, filled_l=3.2, overflow_l=0.15, level_seen=True, top_ups=4, topped_l=0.36
)


def test_an_overfill_by_top_ups_names_them_and_no_foam() -> None:
    first, *rest = causes(OVERFILLED)
    assert first.kind == "topped_up"
    assert "4 more runs of the pump put in 0.360 L beyond it" in first.text
    assert not {"overflow", "not_level"} & {cause.kind for cause in rest}


def test_top_ups_that_left_a_fill_within_its_tolerance_or_explain_little_are_no_cause() -> None:
    assert "topped_up" not in kinds(replace(FACTS, top_ups=1, topped_l=0.05))
    assert "topped_up" not in kinds(replace(OVERFILLED, top_ups=1, topped_l=0.05))
    assert "not_level" in kinds(replace(OVERFILLED, top_ups=0, topped_l=0.0))


def test_what_was_asked_for_beyond_the_target_is_told_from_a_proof_at_the_lip(tmp_path: Path) -> None:
    ledger = shop(tmp_path / "l.sqlite")
    report = Report.read({**ROW, "reference_temperature_c": 20.0, "notices": []})

    def told(*runs: tuple[float, float, str]) -> tuple[int, float]:
        made = tuple(PumpRun(float(n), run[1], run[1], run[0], run[2]) for n, run in enumerate(runs))
        facts = history.facts(ledger, replace(report, pump_runs=made), "2.9 L", "cover removed", {})
        return facts.top_ups, round(facts.topped_l, 3)

    first = (2.88, 2.88, "target reached")
    assert told() == (0, 0.0)
    assert told((2.88, 1.2, "let go"), first) == (0, 0.0)
    assert told(first, (2.93, 2.94, "target reached"), (2.99, 3.0, "target reached")) == (2, 0.12)
    assert told(first, (2.93, 2.94, "lip step"), (2.98, 2.99, "first fluid over the lip")) == (0, 0.0)
    ledger.close()


def test_a_doubled_target_is_named_before_the_pump_may_run() -> None:
    """9.7 US pints entered as quarts: the drained figure gives it away."""
    facts = replace(
        FACTS,
        capacity_text="9.7 US qt",
        listed_l=9.18,
        expected_l=9.09,
        drained_l=4.5,
        filled_l=None,
        level_seen=False,
    )
    first = causes(facts)[0]
    assert (first.kind, first.certainty) == ("unit_mixup", "likely")
    assert first.numbers["meant"] == "US pint"
    assert kinds(facts) == ["unit_mixup"]  # no leak, no contradiction: the unit explains them


def test_a_right_job_has_no_causes() -> None:
    assert causes(FACTS) == []
    assert kinds(replace(FACTS, shop=learn(2.9, "cover removed", [(2.87, 0.006)] * 8))) == []


def test_low_on_arrival_is_told_from_an_earlier_short_fill() -> None:
    low = replace(FACTS, drained_l=2.30)
    assert kinds(low) == ["low_on_arrival"]
    before = Previous("2025-06-01T08:00", "short", 2.31, 0.006, 2.87)
    assert kinds(replace(low, previous=before)) == ["short_before"]
    full = Previous("2025-06-01T08:00", "full", 2.87, 0.006, 2.87)
    assert kinds(replace(low, previous=full)) == ["low_on_arrival"]


def test_retained_fluid_shows_as_the_same_shortfall_twice() -> None:
    facts = replace(FACTS, drained_l=2.60, filled_l=2.61, metered_l=2.61)
    assert "retained" in kinds(facts)
    assert "retained" not in kinds(replace(facts, drained_l=2.86))


def test_a_level_at_the_plug_too_early_says_not_level() -> None:
    facts = replace(FACTS, filled_l=2.60, metered_l=2.60)
    assert kinds(facts) == ["not_level"]
    assert kinds(replace(facts, level_seen=False)) == []


def test_overflow_is_named_with_its_amount() -> None:
    facts = replace(FACTS, overflow_l=0.25, filled_l=2.62, metered_l=2.87, level_seen=False)
    first = causes(facts)[0]
    assert (first.kind, first.certainty) == ("overflow", "likely")
    assert first.numbers["overflow_l"] == 0.25


def test_a_drifted_meter_explains_a_shortfall_of_its_own_size_only() -> None:
    facts = replace(
        FACTS,
        filled_l=2.70,
        metered_l=2.70,
        level_seen=False,
        meter=MeterRecord(12, -0.06, 0.004),
    )
    assert kinds(facts) == ["meter_drift"]
    assert kinds(replace(facts, meter=MeterRecord(12, -0.001, 0.004))) == []
    assert kinds(replace(facts, meter=MeterRecord(2, -0.06, 0.004))) == []
    assert kinds(replace(facts, meter=UNKNOWN_METER, meter_due="last proved 2025-01-01")) == ["meter_due"]


def test_air_is_named_from_the_meters_notice() -> None:
    assert kinds(replace(FACTS, notice_kinds=frozenset({"no_flow"}))) == ["air"]


def test_never_changed_needs_both_a_record_and_fluid_that_contradicts_it() -> None:
    worn = Condition("black", "burnt", "flakes")
    before = Previous("2025-11-01T08:00", "full", 2.87, 0.006, 2.87, distance_km=4000.0)
    facts = replace(FACTS, previous=before, condition=worn, interval_km=80_000.0)
    found = causes(facts)
    assert [cause.kind for cause in found] == ["never_changed"]
    assert "4\u00a0000\u00a0km ago" in found[0].text
    late = replace(facts, previous=replace(before, utc="2025-11-01T23:30:00.000+00:00"))
    assert "changed on 2025-11-01" in causes(late)[0].text
    assert "changed on 2025-11-02" in causes(replace(late, zone=ZoneInfo("Europe/Oslo")))[0].text
    assert kinds(replace(facts, condition=Condition("amber", "usual", "fine paste"))) == []
    assert kinds(replace(facts, previous=replace(before, distance_km=78_000.0))) == []
    assert kinds(replace(facts, previous=None)) == []


def test_a_listing_that_the_shops_jobs_contradict_is_named() -> None:
    odd = learn(2.9, "cover removed", [(3.62, 0.006)] * 12)  # 25 % off: no unit lies there
    facts = replace(FACTS, shop=odd, expected_l=odd.value_l, drained_l=3.6, filled_l=3.62)
    assert kinds(facts) == ["listing"]


def test_causes_are_ranked_by_weight_and_carry_numbers() -> None:
    facts = replace(FACTS, drained_l=2.60, filled_l=2.61, metered_l=2.75, overflow_l=0.14)
    found = causes(facts)
    assert len(found) >= 2
    weights = [cause.weight for cause in found]
    assert weights == sorted(weights, reverse=True)
    assert all(0.0 <= weight <= 1.0 and cause.numbers for weight, cause in zip(weights, found, strict=True))


def test_undecided_says_what_would_settle_it() -> None:
    near = replace(FACTS, filled_l=2.78, level_seen=False)
    first, second = what_settles(near)[:2]
    assert first.startswith("A level check")
    assert "top-up of 0.090 L" in second
    unchecked = what_settles(replace(near, stands_level=False))
    assert "spirit level on the housing, along and across" in unchecked[1]
    assert what_settles(replace(near, stands_level=True)) == what_settles(near)
    vague = replace(FACTS, u_filled_l=0.06)
    assert any("proving" in text for text in what_settles(vague))
    dripping = replace(FACTS, still_to_come_l=0.3)
    assert any("More drip" in text for text in what_settles(dripping))
    assert what_settles(replace(FACTS, filled_l=None)) == []


def test_facts_come_from_a_report_and_the_ledger(tmp_path: Path) -> None:
    ledger = shop(
        tmp_path / "l.sqlite",
        *[{"opened_utc": f"2026-02-{day:02d}", "filled_l": 2.80 + day / 1000, "distance_km": 1000.0 * day} for day in range(1, 9)],
    )  # fmt: skip
    report = Report.read(
        {**ROW, "reference_temperature_c": 20.0, "notices": [{"kind": "knock", "text": "", "t_s": 0.0}]}
    )
    labels = {
        "vehicle": "Bus 12",
        "compartment": "rear axle",
        "compartment_type": "midibus rear axle",
        "meter": "M1",
    }
    facts = history.facts(ledger, report, "2.9 L", "cover removed", labels, distance_km=9000.0)
    assert facts.shop is not None
    assert facts.shop.n == 8
    assert facts.previous is not None
    assert facts.previous.utc == "2026-02-08"
    assert facts.previous.distance_km == pytest.approx(1000.0)
    assert expanded(facts.u_filled_l) == pytest.approx(report.filled_u95_l, rel=1e-12)
    assert expanded(facts.u_expected_l) == pytest.approx(report.expected_fill_u95_l, rel=1e-12)
    assert facts.meter.fills == 8
    half = replace(report, drained_l=1.7, filled_l=None, metered_l=None)
    given_up = replace(half, notices=(Told(DRAIN_CUT_SHORT, "", 0.0),))
    assert causes(history.facts(ledger, half, "2.9 L", "cover removed", labels)) != []
    assert causes(history.facts(ledger, given_up, "2.9 L", "cover removed", labels)) == []
    assert [cause.kind for cause in causes(facts)] == []
    ledger.close()


def test_a_wrong_unit_is_likely_though_quart_and_litre_share_what_it_was() -> None:
    """2.9 typed as US gallons for an axle of 2.9 L: which of the two close units was meant cannot be told."""
    drained = Figure("drained", 2.615, 0.004)
    history = Figure("history", 2.868, 0.05)
    listed_l = 2.9 * UNITS_L["US gallon"]
    found = find("US gallon", listed_l, 0.99 * listed_l, 0.005 * listed_l, [drained, history])
    assert found is not None
    assert found.certainty == "likely"


def test_a_drained_figure_within_its_own_doubt_is_no_evidence() -> None:
    nothing = Figure("drained", 0.0003, 0.004)
    history = Figure("history", 2.868, 0.05)
    listed_l = 2.9 * UNITS_L["US gallon"]
    found = find("US gallon", listed_l, 0.99 * listed_l, 0.005 * listed_l, [nothing, history])
    assert found is not None
    assert found.figures == (history,)
    assert find("US gallon", listed_l, 0.99 * listed_l, 0.005 * listed_l, [nothing]) is None
