"""The bench panel's hands on a simulated bay: it opens drains and knocks pans, and knows the truth."""

import random
from collections.abc import Callable
from dataclasses import replace

from hardware.simulated.bay import SimulatedBay
from hardware.simulated.fleet import volume_l
from hardware.simulated.hx711_chip import Hx711Chip
from hardware.simulated.plant import Plant
from hardware.simulated.stand_ins import StandIns
from station.errors import InputError
from station.given.bench import BenchVerb
from station.given.job import JobSpec, expected_retained
from station.rehearsing.rehearse import hidden
from station.rehearsing.scenario import believed_plant

FASTER = 5.0
"""How many times faster a simulated bay may run while its pump is used: a hold is in real seconds."""
FASTEST = 20.0
"""And while something is waited for. A computer that does not keep up with the chip's bits gets as far as it comes."""

AIR_L, SIPHON_L_S = 0.06, 0.005
BESIDE = {"drain_share": 0.25, "overflow_share": 1.0}
"""What a simulated bay's second pan catches, below a hub and the fill plug."""
BLOWN = 12
"""Pulses of a breath through the meter."""
HAND_KG = 3.0
"""A hand that presses on a scale."""
RAG_KG, RAG_S = 0.06, 3.0
"""A rag let down so slowly that no scale can tell it from a gulp of fluid."""


class Bench:
    """Acts on the plant and the chips of one simulated bay, never on the station."""

    def __init__(
        self,
        bay: SimulatedBay,
        seed: int | None = None,
        lines: StandIns | None = None,
        k_per_l: float | None = None,
    ) -> None:
        """lines: the far ends of the bay's serial lines, where its file has some. k_per_l: of a meter that stays what it
        truly is; None for one that each vehicle finds as far off as is stated."""
        self._bay, self._far_ends, self._k_per_l = bay, lines, k_per_l
        if k_per_l is not None:
            bay.replace_plant(Plant(replace(self._plant().settings, k_factor_per_l=k_per_l)))
        self._random = random.Random(seed)
        self._reference_c = 20.0
        self._drained_l = 0.0
        self._weights_kg = {"pan": 0.0, "pan_b": 0.0}
        self._verbs: dict[BenchVerb, Callable[[], None]] = {
            BenchVerb.OPEN_DRAIN: lambda: self._plant().open_drain(),
            BenchVerb.CLOSE_DRAIN: lambda: self._plant().close_drain(),
            BenchVerb.PLUG_IN: lambda: self._plant().plug_in(),
            BenchVerb.KICK: lambda: self._plant().kick(),
            BenchVerb.PENDANT_DOWN: lambda: bay.hold_pendant(True),
            BenchVerb.PENDANT_UP: lambda: bay.hold_pendant(False),
            BenchVerb.STOP_PRESSED: lambda: bay.press_stop(True),
            BenchVerb.STOP_RELEASED: lambda: bay.press_stop(False),
            BenchVerb.UNPLUG_PAN: lambda: bay.chip.unplug(),
            BenchVerb.REPLUG_PAN: lambda: bay.chip.repair(),
            BenchVerb.UNPLUG_SUPPLY: lambda: bay.unplug_thermometer("fluid_supply_c"),
            BenchVerb.REPLUG_SUPPLY: lambda: bay.plug_thermometer("fluid_supply_c"),
            BenchVerb.HOSE_OVER_PAN: lambda: self._hose("pan"),
            BenchVerb.HOSE_IN_WASTE: lambda: self._hose("waste"),
            BenchVerb.HOSE_IN_PLUG: lambda: self._hose("plug"),
            BenchVerb.WEIGHT_500G: lambda: self._weigh("pan", 0.5),
            BenchVerb.WEIGHT_1KG: lambda: self._weigh("pan", 1.0),
            BenchVerb.WEIGHT_2KG: lambda: self._weigh("pan", 2.0),
            BenchVerb.WEIGHTS_OFF: lambda: self._weigh("pan", -self._weights_kg["pan"]),
            BenchVerb.WEIGHT_B_500G: lambda: self._weigh("pan_b", 0.5),
            BenchVerb.WEIGHT_B_1KG: lambda: self._weigh("pan_b", 1.0),
            BenchVerb.WEIGHT_B_2KG: lambda: self._weigh("pan_b", 2.0),
            BenchVerb.WEIGHTS_B_OFF: lambda: self._weigh("pan_b", -self._weights_kg["pan_b"]),
            BenchVerb.UNPLUG_PAN_B: lambda: self._second_chip().unplug(),
            BenchVerb.REPLUG_PAN_B: lambda: self._second_chip().repair(),
            BenchVerb.BLOW_METER: lambda: self._plant().line.spin(BLOWN),
            BenchVerb.WARM_DRAINED: lambda: bay.warm_thermometer("fluid_drained_c"),
            BenchVerb.WARM_SUPPLY: lambda: bay.warm_thermometer("fluid_supply_c"),
            BenchVerb.WARM_AIR: lambda: bay.warm_thermometer("air_c"),
            BenchVerb.CONTAINER_PRESSED: lambda: setattr(self._lines(), "pressed_kg", HAND_KG),
            BenchVerb.CONTAINER_RELEASED: lambda: setattr(self._lines(), "pressed_kg", 0.0),
            BenchVerb.RAG_ON: lambda: self._rag(RAG_KG, RAG_S),
            BenchVerb.RAG_OFF: lambda: self._rag(-RAG_KG),
            BenchVerb.KINK_HOSE: lambda: setattr(self._plant().line, "share", 0.0),
            BenchVerb.FREE_HOSE: lambda: setattr(self._plant().line, "share", 1.0),
            BenchVerb.SUCK_AIR: lambda: self._plant().line.suck_air(AIR_L),
            BenchVerb.SIPHON_ON: lambda: setattr(self._plant().line, "siphon_l_s", SIPHON_L_S),
            BenchVerb.SIPHON_OFF: lambda: setattr(self._plant().line, "siphon_l_s", 0.0),
            BenchVerb.WELD_RELAY: lambda: setattr(self._plant().line, "welded", True),
            BenchVerb.FREE_RELAY: lambda: setattr(self._plant().line, "welded", False),
            BenchVerb.LINES_PULLED: lambda: self._lines().pull(),
            BenchVerb.LINES_SILENT: lambda: self._lines().fall_silent(),
            BenchVerb.LINES_GARBLED: lambda: self._lines().garble(),
            BenchVerb.LINES_IN_HALVES: lambda: self._lines().dribble(),
            BenchVerb.LINES_BUSY: lambda: self._bus().be_busy(),
            BenchVerb.LINES_MISTAKEN: lambda: self._bus().mistake(),
            BenchVerb.LINES_WELL: lambda: self._lines().mend(),
            BenchVerb.FASTER: lambda: bay.set_speed(FASTER),
            BenchVerb.FASTEST: lambda: bay.set_speed(FASTEST if self._plant().hose_at == "plug" else FASTER),
            BenchVerb.NORMAL: lambda: bay.set_speed(1.0),
        }

    @property
    def speed(self) -> float:
        return self._bay.speed

    def _plant(self) -> Plant:
        plant = self._bay.plant
        if not isinstance(plant, Plant):
            raise InputError("This bay has no axle.")
        return plant

    def _lines(self) -> StandIns:
        if not self._far_ends:
            raise InputError("This bay has no simulated lines.")
        return self._far_ends

    def _bus(self) -> StandIns:
        lines = self._lines()
        if not lines.modbus_ends:
            raise InputError("This bay has no simulated Modbus line.")
        return lines

    def _hose(self, at: str) -> None:
        self._plant().hose_at = at
        if at != "plug" and self._bay.speed > FASTER:  # where a purge or a proving run goes
            self._bay.set_speed(FASTER)

    def _rag(self, mass_kg: float, lasts_s: float | None = None) -> None:
        plant = self._plant()
        plant.pan.disturbed.lay(plant.time_s, mass_kg, lasts_s)

    def _weigh(self, pan: str, mass_kg: float) -> None:
        plant = self._plant()
        scale = plant.pan if pan == "pan" else plant.pan_b
        if scale is None:
            raise InputError("This bay has no second pan.")
        self._weights_kg[pan] += mass_kg
        scale.disturbed.lay(plant.time_s, mass_kg)

    def _second_chip(self) -> Hx711Chip:
        if "pan_b" not in self._bay.wires:
            raise InputError("This bay has no second pan on pins.")
        return self._bay.wires["pan_b"].chip

    def do(self, verb: BenchVerb) -> None:
        """Raises InputError where the bay lacks what the verb needs."""
        with self._bay.lock:
            self._verbs[verb]()

    def new_vehicle(self, spec: JobSpec) -> None:
        """Roll in the vehicle that was named. Its size is the fleet's, whatever was typed for the job; instruments
        and fluids are off from the plan by as much as the stated uncertainties allow."""
        self._reference_c, self._drained_l = spec.reference_temperature_c, 0.0
        self._weights_kg = dict.fromkeys(self._weights_kg, 0.0)
        true_l = volume_l(spec.labels.get("vehicle", ""), spec.labels.get("compartment", ""))
        retained_l, _ = expected_retained(spec.method, true_l)
        built = believed_plant(replace(spec, capacity_l=true_l, retained_l=retained_l))
        settings = hidden(built, spec, self._random.getrandbits(32))
        k_per_l = settings.k_factor_per_l if self._k_per_l is None else self._k_per_l
        if settings.pan_b is not None:
            settings = replace(settings, pan_b=replace(settings.pan_b, **BESIDE))
        self._bay.replace_plant(Plant(replace(settings, capacity_l=true_l, k_factor_per_l=k_per_l)))

    def stage_changed(self, stage: str) -> None:
        """Keep the true drained volume as of the moment its figure was taken; let a fill run in real time."""
        if stage == "reseal":
            with self._bay.lock:
                self._drained_l = self._plant().drained_l(self._reference_c)
        if stage == "fill":
            self._bay.set_speed(1.0)

    def truth(self) -> dict[str, float]:
        """True volumes at the reference temperature, litres."""
        with self._bay.lock:
            plant = self._plant()
            over_l = plant.fresh_in_pan_kg / plant.settings.fresh.density_kg_m3(self._reference_c) * 1000.0
            return {
                "drained_l": self._drained_l or plant.drained_l(self._reference_c),
                "filled_l": plant.filled_l(self._reference_c),
                "overflow_l": over_l,
            }
