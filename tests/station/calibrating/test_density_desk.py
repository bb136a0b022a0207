"""A density measured with a flask, water and the pan: right within its U95, and refused where it would be worth nothing."""

import math
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from calibration.fluid import Fluid
from calibration.water import water_density
from hardware.sample import Sample
from station.bay.engine import Engine
from station.calibrating.at_rest import AtRest
from station.calibrating.density_desk import DensityDesk, DensityPlan, Vessel
from station.errors import InputError
from station.given.config import demo_path, read_config
from station.given.job import Air
from station.given.lines import PanLine
from station.record.author import BY
from tests.station.bay.test_lines_in_force import StillRig

LINE = PanLine(80_000.0, 5.0e-6, 0.0005, 25.0, u_linearity_kg=0.0002, u_indication_kg=0.0002)
ENTERED = Fluid("lubricant", name="Used oil", density_15_kg_m3=880.0)
TRUE = Fluid("lubricant", density_15_kg_m3=888.0)
FLASK_L, FLASK_KG, AIR = 0.5004, 0.182, 1.2
PLAN = DensityPlan("used", 0.5, 0.001, "glass")


def indicated_kg(density_kg_m3: float) -> float:
    """What an honest pan shows of a flask's content: W = ρV (1 − a/ρ) / (1 − a/8000)."""
    return density_kg_m3 * FLASK_L / 1000.0 * (1.0 - AIR / density_kg_m3) / (1.0 - AIR / 8000.0)


def counts(kg: float, slope_off: float = 1.0) -> float:
    return LINE.zero_count + kg * slope_off / LINE.kg_per_count


class Bench:
    """A desk, and a pan that reads what is put on it; slope_off: what its slope is really off by."""

    def __init__(self, plan: DensityPlan = PLAN, fluid: Fluid = ENTERED, slope_off: float = 1.0) -> None:
        self.pan, self.slope_off, self.t_s = AtRest(), slope_off, 0.0
        self.desk = DensityDesk(plan, fluid, self.pan, Air(), lambda: LINE)

    def put(self, kg: float, shake: float = 0.0) -> None:
        for n in range(100):
            self.t_s += 0.1
            count = counts(kg, self.slope_off) + 10.0 * (-1) ** n + shake * math.sin(n)
            self.pan.take(Sample(self.t_s, "pan", count))

    def weigh(self, vessel: Vessel, kg: float, temperature_c: float | None = None) -> None:
        self.put(kg)
        self.desk.weigh(vessel, temperature_c)


def whole(bench: Bench, at_c: float = 21.0, water_c: float | None = None) -> Bench:
    bench.weigh(Vessel.EMPTY, FLASK_KG)
    if water_c is not None:
        bench.weigh(Vessel.WATER, FLASK_KG + indicated_kg(float(water_density(water_c))), water_c)
    bench.weigh(Vessel.FULL, FLASK_KG + indicated_kg(TRUE.density_kg_m3(at_c)), at_c)
    return bench


def test_a_flask_tells_the_density_within_its_u95_and_enters_it_at_15_c() -> None:
    bench = whole(Bench())
    result, entry = bench.desk.view().result, bench.desk.entry()
    assert result is not None
    assert abs(result.value - TRUE.density_kg_m3(21.0)) < result.u95
    assert result.u95 / result.value < 0.004
    assert entry["density_origin"] == "measured"
    measured = Fluid(
        "lubricant",
        density_15_kg_m3=float(entry["density_15_kg_m3"]),
        u_density_kg_m3=float(entry["u_density_kg_m3"]),
        density_origin=entry["density_origin"],
    )
    assert measured.u_density_rel < 0.4 * ENTERED.u_density_rel
    assert measured.density_15_kg_m3 == pytest.approx(888.0, abs=1.96 * float(entry["u_density_kg_m3"]))


def test_with_water_a_pan_that_is_off_tells_the_density_all_the_same() -> None:
    """A slope of 1 % too much: the flask's marked volume cannot know, water on the same pan can."""
    alone = whole(Bench(slope_off=1.01)).desk.view().result
    plan = replace(PLAN, volume_l=None, within_l=0.0003)
    watered = whole(Bench(plan, slope_off=1.01), water_c=19.0).desk.view()
    assert alone is not None
    assert watered.result is not None
    truth = TRUE.density_kg_m3(21.0)
    assert abs(alone.value - truth) > 0.008 * truth
    assert abs(watered.result.value - truth) < watered.result.u95 < 0.003 * truth


def test_what_is_missing_is_asked_for_in_its_order() -> None:
    bench = Bench(replace(PLAN, volume_l=None))
    assert bench.desk.view().missing == (Vessel.EMPTY, Vessel.WATER, Vessel.FULL)
    whole(bench, water_c=20.0)
    assert bench.desk.view().missing == ()
    bench.weigh(Vessel.EMPTY, 0.2)  # another vessel: the rest is weighed anew
    assert bench.desk.view().missing == (Vessel.WATER, Vessel.FULL)


def refused(words: str, step: Callable[[], Any]) -> None:
    with pytest.raises(InputError, match=words):
        step()


def test_nonsense_is_refused_with_a_sentence() -> None:
    refused("only fluids that have one figure", lambda: Bench(fluid=Fluid("water")))
    refused("better one of half a litre", lambda: Bench(replace(PLAN, volume_l=0.001)))
    refused("missing, or too coarse", lambda: Bench(replace(PLAN, within_l=0.0)))
    bench = Bench()
    bench.put(FLASK_KG)
    refused("Weigh the empty vessel first", lambda: bench.desk.weigh(Vessel.FULL, 20.0))
    refused("no water is needed", lambda: bench.desk.weigh(Vessel.WATER, 20.0))
    bench.desk.weigh(Vessel.EMPTY, None)
    refused("expected 50 g or more. Is the filled vessel", lambda: bench.desk.weigh(Vessel.FULL, 20.0))
    bench.put(0.6, shake=4000.0)
    refused("not at rest", lambda: bench.desk.weigh(Vessel.FULL, 20.0))
    bench.put(0.56)
    refused("thermometer", lambda: bench.desk.weigh(Vessel.FULL, None))
    refused("There is no result yet", bench.desk.entry)
    bench.desk.weigh(Vessel.FULL, 20.0)
    refused("than what is entered", bench.desk.entry)  # 757 kg/m³: not filled to its mark
    coarse = whole(Bench(replace(PLAN, within_l=0.02)))
    refused("nothing would be gained", coarse.desk.entry)


def test_what_was_measured_is_in_the_catalogue_and_in_the_record(tmp_path: Path) -> None:
    """Through the whole station: the fluid of the next job has that density, and the record says what it rests on."""
    config = replace(read_config(demo_path()), ledger=tmp_path / "ledger.sqlite", pan=LINE)
    rigs: list[StillRig] = []

    def open_rig(put: Callable[[Sample], None]) -> StillRig:
        rigs.append(StillRig(put))
        return rigs[0]

    engine = Engine(config, open_rig)
    begun_s = time.monotonic()

    def put(kg: float) -> None:
        nonlocal begun_s
        for n in range(100):
            begun_s += 0.1
            rigs[0].put(Sample(begun_s, "pan", round(counts(kg)) + (-1) ** n))

    try:
        key = "gear_75w90_used"
        before = engine.settings().fluids[key]
        truth = replace(before, density_15_kg_m3=(before.density_15_kg_m3 or 0.0) * 1.008)
        desk = engine.calibrations
        desk.begin_density(replace(PLAN, fluid=key))
        with pytest.raises(InputError, match="under way"):
            engine.calibrations.begin_pan()
        put(FLASK_KG)
        desk.weigh_vessel(Vessel.EMPTY, None)
        put(FLASK_KG + indicated_kg(truth.density_kg_m3(20.0)))
        desk.weigh_vessel(Vessel.FULL, 20.0)
        entering = BY.set("E. Brandvold")
        desk.save_density("M. Okafor")
        BY.reset(entering)
        now = engine.settings().fluids[key]
        assert now.density_origin == "measured"
        assert now.density_15_kg_m3 == pytest.approx(truth.density_15_kg_m3, rel=0.003)
        assert (now.kv40_mm2_s, now.grade) == (before.kv40_mm2_s, before.grade)
        assert engine.calibrations.view().density is None
        with engine.reading() as ledger:
            (event,) = ledger.shop_events("density_measured")
        assert (event["body"]["measured_by"], event["body"]["by"]) == ("M. Okafor", "E. Brandvold")
        assert [r["vessel"] for r in event["body"]["readings"]] == ["empty", "full"]
        assert event["body"]["entered"]["density_15_kg_m3"] == f"{now.density_15_kg_m3:.2f}"
    finally:
        engine.close()
