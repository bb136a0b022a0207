"""The simulated axle where nobody has drained it, and the hose where it ends in neither plug nor pan."""

import math

import pytest

from hardware.simulated.plant import Plant, PlantSettings


def _pump(plant: Plant, lasts_s: float) -> None:
    for _ in range(round(lasts_s / 0.02)):
        plant.advance(0.02, True)


def test_what_is_pumped_into_a_full_compartment_runs_over_into_the_pan() -> None:
    plant = Plant(PlantSettings(capacity_l=2.9, old_volume_l=2.9, creep_rel=0.0, zero_walk_kg=0.0))
    _pump(plant, 20.0)
    for _ in range(3000):
        plant.advance(0.02, False)
    assert math.isfinite(plant.fresh_in_pan_kg)
    assert plant.delivered_kg > 0.6
    assert plant.fresh_in_pan_kg == pytest.approx(plant.delivered_kg, abs=0.01)


def test_what_goes_into_the_waste_vessel_is_in_neither_compartment_nor_pan() -> None:
    plant = Plant()
    plant.hose_at = "waste"
    _pump(plant, 10.0)
    assert plant.wasted_kg > 0.3
    assert plant.filled_l(20.0) == 0.0
    assert plant.fresh_in_pan_kg == 0.0
    assert not plant.at_plug
    assert plant.line.fluid_l > 0.3, "it passed the meter and left the drum all the same"
