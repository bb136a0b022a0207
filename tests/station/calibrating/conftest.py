"""A workshop on a virtual bay: a pan and a meter whose true figures are known, and the desk that calibrates them."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from calibration.certificates import Reference
from hardware.sample import Sample
from hardware.simulated.plant import Plant, PlantSettings
from hardware.simulated.sim_fluid import SimFluid
from station.calibrating.calibrating import CertificateEntry, PanStep
from station.calibrating.calibration_desk import CalibrationDesk
from station.core.step import PumpCommand
from station.given.config import demo_path, read_config
from station.record.recorder import Recorder

TRUE_KG_PER_COUNT = 4.8123e-6
TRUE_K = 397.1
TODAY = date.today()
ENTRY = CertificateEntry(
    made_by="S. Adebayo-Reyes",
    valid_until=(TODAY + timedelta(days=365)).isoformat(),
    references=(Reference("weights, set W3", 5.0, 0.00002, "kg", "W3-0417"),),
    use_from_kg=1.6,
    use_to_kg=5.0,
    air_c=18.0,
)


class Workshop:
    """A plant, a calibration desk and a ledger on one virtual clock."""

    def __init__(self, folder: Path) -> None:
        demo = read_config(demo_path())
        zero = PlantSettings.zero_count + PlantSettings.pan_kg / TRUE_KG_PER_COUNT
        self.config = replace(demo, ledger=folder / "l.sqlite", pan=replace(demo.pan, zero_count=zero))
        self.recorder = Recorder(self.config.ledger, lambda text: None)
        self.desk = CalibrationDesk(self.config, self.recorder, ())
        fresh = self.config.fluids["gear_75w90"]
        assert fresh.density_15_kg_m3 is not None
        assert fresh.kv40_mm2_s is not None
        assert fresh.kv100_mm2_s is not None
        self.plant = Plant(
            PlantSettings(
                fresh=SimFluid(fresh.density_15_kg_m3, fresh.kv40_mm2_s, fresh.kv100_mm2_s),
                kg_per_count=TRUE_KG_PER_COUNT,
                k_factor_per_l=TRUE_K,
                air_swing_c=0.0,
                zero_kg_per_c=0.0,
            )
        )
        self.pump_on = False
        self.held = False
        self.division_counts = 1

    def take(self, source: str, value: int | float | str) -> None:
        for effect in self.desk.take(Sample(self.plant.time_s, source, value)):
            if isinstance(effect, PumpCommand):
                self.pump_on = effect.run
                self.take("pump", int(effect.run))

    def wait(self, seconds: float) -> None:
        for i in range(round(seconds / 0.05)):
            self.plant.advance(0.05, self.pump_on)
            if self.held:
                self.take("pendant", 1)
            self.take("meter", self.plant.pulses)
            if i % 2 == 0:
                self.take("pan", round(self.plant.adc_count() / self.division_counts))
            if i % 20 == 0:
                for name, value in self.plant.temperatures().items():
                    self.take(name, value)

    def put(self, mass_kg: float) -> None:
        self.plant.pan.disturbed.lay(self.plant.time_s, mass_kg)
        self.wait(9.0)

    def calibrate_pan(self) -> None:
        """Up and down over 5 kg, and one load four times: the pan itself stays on."""
        desk, on = self.desk, 0.0
        desk.begin_pan()
        self.wait(7.0)
        for step, loads in ((PanStep.UP, (0, 0.5, 1, 2, 3, 4, 5)), (PanStep.DOWN, (4, 3, 2, 1, 0.5, 0))):
            for load in loads:
                if load != on:
                    self.put(load - on)
                    on = float(load)
                desk.read(step, float(load))
        for _ in range(4):
            self.put(2.0)
            desk.read(PanStep.REPEAT, 2.0)
            self.put(-2.0)

    def prove(self, runs: int = 5) -> None:
        self.desk.begin_meter("gear_75w90", 0.5)
        self.plant.hose_at = "pan"
        self.wait(7.0)
        for _ in range(runs):
            self.desk.begin_run()
            self.held = True
            self.wait(25.0)
            self.held = False
            self.take("pendant", 0)
            self.wait(12.0)
            self.desk.end_run()


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Workshop]:
    workshop = Workshop(tmp_path)
    yield workshop
    workshop.recorder.close()
