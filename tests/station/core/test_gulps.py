"""What comes at once in the drip: a floor pool that lets go, against solvent that nobody marked.

The streams are written here: a stream that dies away, a film that thins as t^(−1/2), a floor's as t^(−1/3), and what is
poured over them.
"""

import math
import random
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import pytest

from hardware.sample import Sample
from station.core.replay import replay
from station.core.state import BayState
from station.core.step import step
from station.figures import balance
from station.rehearsing.scenario import read_scenario
from station.weighing import drip

OPEN_S, BULK_S, DONE_S = 10.0, 80.0, 500.0
SPEC = replace(read_scenario(None).spec, answers={})
KG_PER_L = SPEC.drained.density_kg_m3(SPEC.reference_temperature_c) / 1000.0
Extra = Callable[[float], float]


def old_kg(t_s: float) -> float:
    """What has left the compartment as stream and films."""
    age_s = t_s - OPEN_S
    if age_s <= 0.0:
        return 0.0
    bulk = 2.2 * (1.0 - (1.0 - min(1.0, age_s / BULK_S)) ** 2)
    bare_s = max(0.0, age_s - 0.7 * BULK_S)
    films = sum(a * (8.0**-n - (8.0 + bare_s) ** -n) for a, n in ((0.35, 0.5), (0.12, 1.0 / 3.0)))
    return float(bulk + films)


def gulp(at_s: float, kg: float, fades_s: float = 0.8) -> Extra:
    """A time constant of 0.8 s takes 1.1 s from a fifth to four fifths."""
    return lambda t_s: kg * (1.0 - math.exp(-max(0.0, t_s - at_s) / fades_s))


def can(at_s: float, presses: int, kg_s: float, every_s: float = 6.0, for_s: float = 3.0) -> Extra:
    """Solvent: a can that is pressed and let go, and what is in the pan dries."""

    def kg(t_s: float) -> float:
        came = sum(kg_s * max(0.0, min(for_s, t_s - at_s - k * every_s)) for k in range(presses))
        return came * math.exp(-max(0.0, t_s - at_s) / 3000.0)

    return kg


def stream(extras: Sequence[Extra], every_s: float, seed: int = 1) -> list[Sample]:
    rng, pan = random.Random(seed), SPEC.pan
    marks = {0: (2.0, "pan_placed"), 1: (OPEN_S, "drain_open"), 2: (DONE_S, "drain_done")}
    rows = [Sample(t_s, "mark", word) for t_s, word in marks.values()]
    for i in range(round((DONE_S + 20.0) / every_s)):
        t_s = i * every_s
        kg = 1.5 + old_kg(t_s) + sum(extra(t_s) for extra in extras)
        rows.append(
            Sample(
                t_s, "pan", round(pan.zero_count + kg / pan.kg_per_count + rng.gauss(0.0, pan.noise_counts))
            )
        )
    return sorted(rows, key=lambda row: row.t_s)


def played(*extras: Extra, every_s: float = 0.1, seed: int = 1) -> BayState:
    return replay(SPEC, stream(extras, every_s, seed))


def off_l(report: dict[str, Any], *fluid: Extra) -> float:
    """How far the drained figure is from all the old fluid that came until the technician's mark."""
    true_kg = old_kg(DONE_S) + sum(extra(DONE_S) for extra in fluid)
    return float(report["drained_l"] - true_kg / KG_PER_L)


def kinds(report: dict[str, Any]) -> list[str]:
    return [s["kind"] for s in report["steps"] if s["kind"] != "burst"]


POOLS = {
    "one": (gulp(200.0, 0.014),),
    "two": (gulp(180.0, 0.012), gulp(196.0, 0.007)),
    "three": (gulp(170.0, 0.016), gulp(182.0, 0.009), gulp(215.0, 0.006)),
    "two pools": (gulp(170.0, 0.009), gulp(190.0, 0.010), gulp(240.0, 0.006)),
    "early": (gulp(130.0, 0.012, 1.0), gulp(148.0, 0.009, 1.0)),
}


@pytest.mark.parametrize("every_s", [0.1, 0.5, 1.0])
@pytest.mark.parametrize("pool", POOLS)
def test_a_pool_that_lets_go_is_old_fluid_and_the_drip_goes_on(pool: str, every_s: float) -> None:
    report = balance.report(played(*POOLS[pool], every_s=every_s)).to_dict()
    assert set(kinds(report)) <= {"gulp"}
    assert abs(off_l(report, *POOLS[pool])) < report["drained_u95_l"]
    assert abs(off_l(report, *POOLS[pool])) < 0.008
    assert report["drained_u95_l"] < 0.045


def test_the_uncertainty_reaches_down_to_none_of_all_gulps_together() -> None:
    report = balance.report(played(*POOLS["three"])).to_dict()
    assert report["drained_u95_l"] >= sum(s["kg"] for s in report["steps"]) / KG_PER_L
    assert abs(off_l(report)) < 1.3 * report["drained_u95_l"]  # a gulp's last drops are a drip's


def test_gulps_are_asked_about_only_where_together_they_matter() -> None:
    small, large = (
        balance.report(played(*extras)).to_dict() for extras in ((gulp(200.0, 0.004),), POOLS["three"])
    )
    assert [(s["kind"], s["asked"], s["may_answer"]) for s in small["steps"]] == [("gulp", False, True)]
    assert small["steps"][0]["counted_kg"] == small["steps"][0]["kg"]
    assert all(s["asked"] for s in large["steps"])


@pytest.mark.parametrize("every_s", [0.1, 0.5])
@pytest.mark.parametrize(
    "solvent",
    [can(200.0, 10, 0.008), can(200.0, 6, 0.004), can(240.0, 3, 0.012), can(200.0, 1, 0.006, for_s=40.0)],
)
def test_a_can_that_is_pressed_again_and_again_is_solvent_with_its_doubt(
    solvent: Extra, every_s: float
) -> None:
    state = played(solvent, every_s=every_s)
    report = balance.report(state).to_dict()
    assert kinds(report)[-1] == "flush"
    assert state.drain.taken is not None
    assert abs(off_l(report)) < report["drained_u95_l"]  # the drip since the freeze is in the doubt
    flush = report["steps"][-1]
    told, _ = step(state, Sample(state.t_s, "answer", f"{flush['id']}:object"))
    sure = balance.report(told).to_dict()
    assert sure["drained_l"] == report["drained_l"]
    assert sure["drained_u95_l"] < min(0.010, report["drained_u95_l"])


@pytest.mark.parametrize("kg", [0.03, 0.06])
def test_one_press_of_a_can_may_be_either_and_both_are_within_the_uncertainty(kg: float) -> None:
    burst = can(220.0, 1, kg / 2.0, for_s=2.0)
    report = balance.report(played(burst)).to_dict()
    assert kinds(report) == ["gulp"]
    assert abs(off_l(report, burst)) < report["drained_u95_l"]
    assert abs(off_l(report)) < 1.1 * report["drained_u95_l"]


@pytest.mark.parametrize("every_s", [0.1, 0.5, 1.0])
def test_the_forecast_does_not_jump_at_a_gulp(every_s: float) -> None:
    """What still comes is told alike before the gulp, just after it and a while later, as without any."""
    samples, plain = stream((gulp(240.0, 0.015),), every_s), stream((), every_s)

    def ahead(rows: Sequence[Sample], at_s: float) -> float:
        state = replay(SPEC, [row for row in rows if row.t_s <= at_s])
        told = balance.drip_ahead(state)
        assert told is not None
        return told.volume_l

    for at_s in (238.0, 246.0, 255.0, 266.0, 300.0):
        assert ahead(samples, at_s) == pytest.approx(ahead(plain, at_s), rel=0.15, abs=0.003)


def test_the_forecast_at_the_freeze_knows_nothing_of_the_solvent() -> None:
    solvent, calm = played(can(240.0, 10, 0.008)), played()
    frozen = solvent.drain.taken
    assert frozen is not None
    told = balance.drip_ahead(solvent)
    plain = drip.forecast(calm.drain.drip, frozen.t_s, SPEC.pan.noise_kg, 0.005)
    assert told is not None
    assert plain is not None
    assert told.volume_l == pytest.approx(plain.still_to_come_kg / KG_PER_L, rel=0.15)
