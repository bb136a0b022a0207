"""Proving of a meter by weighing, on a virtual bay."""

import math
from dataclasses import replace

import pytest

from hardware.simulated.plant import Plant
from station.errors import InputError
from tests.station.calibrating.conftest import ENTRY, TRUE_K, Workshop


def test_a_meter_proved_by_weighing_gets_its_true_k_factor(shop: Workshop) -> None:
    shop.calibrate_pan()
    shop.desk.finish(ENTRY)
    shop.prove()
    assert shop.desk.prover is not None
    assert len(shop.desk.prover.runs) == 5
    shop.desk.finish(ENTRY)
    meter = shop.desk.lines().meter
    assert meter is not None
    assert abs(meter.k_factor_per_l / TRUE_K - 1) < 3 * meter.u_rel
    assert meter.u_rel < 0.003
    assert math.isfinite(meter.dof)


def test_fewer_than_five_runs_prove_nothing(shop: Workshop) -> None:
    shop.prove(runs=4)
    with pytest.raises(InputError, match="at least 5"):
        shop.desk.finish(ENTRY)


def test_the_pump_turns_only_within_a_run(shop: Workshop) -> None:
    shop.desk.begin_meter("gear_75w90", 0.5)
    shop.plant.hose_at = "pan"
    shop.wait(7.0)
    shop.held = True
    shop.wait(2.0)
    assert shop.plant.pulses == 0
    shop.held = False
    shop.take("pendant", 0)
    shop.desk.begin_run()
    shop.held = True
    shop.wait(2.0)
    assert shop.plant.pulses > 0
    with pytest.raises(InputError, match="still flows"):
        shop.desk.end_run()


def test_a_run_is_not_weighed_while_fluid_still_comes_round_about(shop: Workshop) -> None:
    """A hose that hangs in a full compartment fills the pan over the lip, long after the meter stands still."""
    shop.desk.begin_meter("gear_75w90", 0.5)
    shop.plant.hose_at = "pan"
    shop.wait(7.0)
    shop.desk.begin_run()
    shop.held = True
    shop.wait(15.0)
    shop.held = False
    shop.take("pendant", 0)
    shop.plant.plug_in()
    shop.plant.leak_l_h = 3.0
    shop.wait(12.0)
    with pytest.raises(InputError, match=r"changes by \+0\.7 g/s"):
        shop.desk.end_run()
    shop.plant.leak_l_h = 0.0
    shop.wait(8.0)
    shop.desk.end_run()


def test_a_fluid_that_is_not_listed_and_a_run_of_nothing_prove_no_meter(shop: Workshop) -> None:
    with pytest.raises(InputError, match="fluid is 'soup'"):
        shop.desk.begin_meter("soup", 1.0)
    with pytest.raises(InputError, match="above zero"):
        shop.desk.begin_meter("atf", 0.0)
    assert shop.desk.kind is None


def test_a_second_proving_tells_the_drift_since_the_first(shop: Workshop) -> None:
    shop.prove()
    shop.desk.finish(ENTRY)
    shop.plant = Plant(replace(shop.plant.settings, k_factor_per_l=TRUE_K * 1.02))
    shop.prove()
    shop.desk.finish(ENTRY)
    moved = shop.desk.register[1].result["drift"]
    assert moved["since"] == "Bay 1 meter 1"
    assert moved["relative"] == pytest.approx(0.02, abs=0.003)
    assert moved["significant"] is True
    assert "find out why" in shop.desk.register[1].statement
