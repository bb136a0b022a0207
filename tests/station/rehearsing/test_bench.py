"""The bench panel: every verb does something, every button of the page is a verb, and vehicles are its own."""

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from hardware.simulated.bay import SimulatedBay
from hardware.simulated.fleet import FLEET_L, OTHERS_L, volume_l
from hardware.simulated.plant import Plant
from station.__main__ import _open_engine
from station.common.units import parse_volume_l
from station.given.bench import BenchVerb
from station.given.config import demo_path, read_config
from station.given.job import JobSpec
from station.rehearsing.bench import FASTER, FASTEST, Bench
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


def test_the_bench_knows_every_verb(tmp_path: Path) -> None:
    config = replace(read_config(demo_path()), ledger=tmp_path / "l.sqlite")
    engine, close = _open_engine(config, simulated=True)
    try:
        for verb in BenchVerb:
            if not verb.value.startswith("lines_"):  # this bay has none; tests/hardware/test_lines.py has
                engine.bench(verb)
        assert engine.truth().keys() == {"drained_l", "filled_l", "overflow_l"}
    finally:
        close()
