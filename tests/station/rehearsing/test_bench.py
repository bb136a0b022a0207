"""The bench panel: every verb does something, every button of the page is a verb, and vehicles are its own."""

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from hardware.simulated.bay import IN_HAND_C, SimulatedBay
from hardware.simulated.fleet import FLEET_L, OTHERS_L, volume_l
from hardware.simulated.plant import Plant, PlantSettings
from hardware.simulated.scale import SecondPan
from station.__main__ import _open_engine
from station.common.units import parse_volume_l
from station.errors import InputError
from station.given.bench import BenchVerb
from station.given.config import demo_path, read_config
from station.given.job import JobSpec
from station.rehearsing.bench import BLOWN, FASTER, FASTEST, Bench
from station.rehearsing.scenario import read_scenario
from tests.depot.timetable import COMPARTMENTS

TEMPLATES = Path(__file__).parents[3] / "web" / "templates"


@pytest.fixture
def bay() -> Iterator[SimulatedBay]:
    bay = SimulatedBay(Plant(), speed=0)
    yield bay
    bay.close()


def _plant(bay: SimulatedBay) -> Plant:
    assert isinstance(bay.plant, Plant)
    return bay.plant


def _size_l(bay: SimulatedBay, spec: JobSpec) -> float:
    Bench(bay, seed=3).new_vehicle(spec)
    return _plant(bay).settings.capacity_l


@pytest.mark.parametrize("typed_l", [2.9, 10.98, 9999.0, 1.2])
def test_a_vehicle_keeps_its_size_whatever_is_typed(bay: SimulatedBay, typed_l: float) -> None:
    """A wrong entry is wrong in the simulated shop too: what drains, and what fits, stays the vehicle's."""
    spec = read_scenario(None).spec
    share_l = 0.01 * typed_l
    typed = replace(spec, capacity_l=typed_l, capacity_text=f"{typed_l} L", retained_l=share_l)
    assert _size_l(bay, typed) == FLEET_L["Bus 12", "rear axle"]
    assert _plant(bay).retained_l == pytest.approx(0.98 * FLEET_L["Bus 12", "rear axle"], rel=0.01)


def test_an_unlisted_vehicle_has_a_size_of_its_own_and_keeps_it(bay: SimulatedBay) -> None:
    spec = read_scenario(None).spec
    names = [{"vehicle": f"Van {n}", "compartment": "rear axle"} for n in range(12)]
    sizes = [_size_l(bay, replace(spec, labels=labels)) for labels in names]
    assert sizes == [_size_l(bay, replace(spec, labels=labels, capacity_l=5.0)) for labels in names]
    assert set(sizes) <= set(OTHERS_L)
    assert len(set(sizes)) > 2


def test_the_demo_bay_lists_its_fleet_to_the_last_digit_of_a_plate() -> None:
    compartments = read_config(demo_path()).compartments
    listed = {(c.vehicle, c.compartment): parse_volume_l(c.capacity) for c in compartments.values()}
    assert set(listed) < set(FLEET_L)
    for (vehicle, part), true_l in FLEET_L.items():
        assert volume_l(vehicle, part) == true_l
        plate_l = parse_volume_l(COMPARTMENTS[part]["capacity"])
        assert listed.get((vehicle, part), plate_l) == plate_l
        assert plate_l == pytest.approx(true_l, abs=0.05)


def test_every_button_of_the_pages_is_a_verb() -> None:
    pages = "".join(path.read_text(encoding="utf-8") for path in TEMPLATES.glob("*.html"))
    buttons = set(re.findall(r'data-bench="(\w+)"', pages))
    assert buttons
    assert buttons <= set(BenchVerb)


def test_time_runs_fastest_only_where_no_pump_is_held() -> None:
    bay = SimulatedBay(Plant(), speed=1.0)
    bench = Bench(bay)
    told = []
    for verb in (BenchVerb.FASTEST, BenchVerb.HOSE_OVER_PAN, BenchVerb.FASTEST, BenchVerb.HOSE_IN_PLUG):
        bench.do(verb)
        told.append(bench.speed)
    bay.close()
    assert told == [FASTEST, FASTER, FASTER, FASTER]


def test_hands_move_what_each_sensor_of_a_bay_reads() -> None:
    """What the first step of commissioning asks for, on a bay that has nobody to do it."""
    bay = SimulatedBay(Plant(PlantSettings(pan_b=SecondPan())), speed=0)
    bench, plant = Bench(bay), _plant(bay)

    def reads() -> tuple[float, ...]:
        bay.advance(1.0)
        at_c = [int((folder / "temperature").read_text()) / 1000 for folder in bay.thermometers.values()]
        return (*at_c, plant.pulses, plant.pan.count(0, 18, 18), plant.adc_count_b())

    before = reads()
    for verb in ("warm_drained", "warm_supply", "warm_air", "blow_meter", "weight_b_2kg"):
        bench.do(BenchVerb(verb))
    moved = [now - then for now, then in zip(reads(), before, strict=True)]
    assert moved[:3] == pytest.approx([IN_HAND_C] * 3, abs=0.3)
    assert moved[3] == BLOWN
    assert abs(moved[4]) * plant.settings.kg_per_count < 0.01
    assert moved[5] * SecondPan().kg_per_count == pytest.approx(2.0, abs=0.01)
    bay.advance(600.0)
    bench.do(BenchVerb.WEIGHTS_B_OFF)
    back = [now - then for now, then in zip(reads(), before, strict=True)]
    assert back[:3] == pytest.approx([0.0] * 3, abs=0.1)
    assert abs(back[5]) * SecondPan().kg_per_count < 0.01
    bay.close()


def test_a_bay_with_one_pan_says_so(bay: SimulatedBay) -> None:
    for verb in (BenchVerb.WEIGHT_B_1KG, BenchVerb.UNPLUG_PAN_B):
        with pytest.raises(InputError, match="no second pan"):
            Bench(bay).do(verb)


def test_the_bench_knows_every_verb(tmp_path: Path) -> None:
    here = read_config(demo_path())
    pins = replace(here.pins, pan_b_dout=20, pan_b_sck=26)
    config = replace(here, ledger=tmp_path / "l.sqlite", pins=pins, pan_b=replace(here.pan, zero_count=61840))
    engine, close = _open_engine(config, simulated=True)
    try:
        for verb in BenchVerb:
            # this bay has no lines; tests/hardware/test_lines.py has
            if not verb.value.startswith(("lines_", "container_")):
                engine.bench(verb)
        assert engine.truth().keys() == {"drained_l", "filled_l", "overflow_l"}
    finally:
        close()
