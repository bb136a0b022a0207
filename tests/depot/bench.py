"""Hands that calibrate the depot's pan and meter at the station's calibration desk, on one virtual clock."""

from calibration.certificates import Reference
from hardware.sample import Sample
from hardware.simulated.plant import Plant, PlantSettings
from station.calibrating.calibrating import PanStep
from station.calibrating.calibration_desk import CalibrationDesk
from station.core.step import PumpCommand
from station.errors import InputError
from station.rehearsing.rehearse import STEP_S

REFERENCES = {
    "pan": (Reference("weights, set W3", 5.0, 0.00005, "kg", "W3-0417"),),
    "meter": (Reference("pan, by its own certificate", 5.0, 0.0025, "kg", "the pan's newest"),),
}


class Bench:
    """A plant and a calibration desk on one virtual clock, and the hands of whoever calibrates."""

    def __init__(self, desk: CalibrationDesk, settings: PlantSettings) -> None:
        self.desk, self.plant = desk, Plant(settings)
        self.pump_on = self.held = False

    def _take(self, source: str, value: int | float | str) -> None:
        for effect in self.desk.take(Sample(round(self.plant.time_s, 3), source, value)):
            if isinstance(effect, PumpCommand):
                self.pump_on = effect.run
                self._take("pump", int(effect.run))

    def wait(self, seconds: float) -> None:
        for i in range(round(seconds / STEP_S)):
            self.plant.advance(STEP_S, self.pump_on)
            if self.held:
                self._take("pendant", 1)
            self._take("meter", self.plant.pulses)
            if i % 2 == 0:
                self._take("pan", self.plant.adc_count())
            if i % 20 == 0:
                for source, value_c in self.plant.temperatures().items():
                    self._take(source, round(value_c * 16.0) / 16.0)

    def _put(self, mass_kg: float) -> None:
        self.plant.pan.disturbed.lay(self.plant.time_s, mass_kg)
        self.wait(9.0)

    def calibrate_pan(self) -> None:
        """Up and down over 5 kg, and one load four times."""
        desk, on_kg = self.desk, 0.0
        desk.begin_pan()
        self.wait(7.0)
        for step, loads in ((PanStep.UP, (0.0, 0.5, 1.0, 2.0, 3.0, 4.0, 5.0)), (PanStep.DOWN, (4.0, 3.0, 2.0, 1.0, 0.5, 0.0))):  # fmt: skip
            for load_kg in loads:
                if load_kg != on_kg:
                    self._put(load_kg - on_kg)
                    on_kg = load_kg
                try:
                    desk.read(step, load_kg)
                except InputError:  # asked whether it is empty, where no certificate knows this pan: it is
                    desk.read(step, load_kg)
        for _ in range(4):
            self._put(2.0)
            desk.read(PanStep.REPEAT, 2.0)
            self._put(-2.0)

    def prove(self) -> None:
        """Five runs into the pan."""
        self.desk.begin_meter("gear_75w90", 0.8)
        self.plant.hose_at = "pan"
        self.wait(7.0)
        for _ in range(5):
            self.desk.begin_run()
            self.held = True
            self.wait(35.0)
            self.held = False
            self._take("pendant", 0)
            self.wait(12.0)
            self.desk.end_run()
