"""A physical axle, pan, drum, pump and meter, advanced in small steps of time.

It speaks physics only: masses, volumes, temperatures, counts and pulses. Its laws are written apart from the
station's: density by the 1980 metric lubricant form instead of the 2004 procedure, walls of several heights that
cool while they drain instead of one wall of constant viscosity, drops instead of a smooth stream. So where the
station's figures agree with the truth kept here, they agree for a reason.
"""

import functools
import math
import random
from dataclasses import dataclass, field, replace

from hardware.simulated.disturbance import Disturbances
from hardware.simulated.scale import Scale, SecondPan
from hardware.simulated.sim_fluid import SimFluid
from hardware.simulated.supply import SupplyLine

GRAVITY_M_S2 = 9.80665


OLD, FRESH = SimFluid(885.0, 120.0, 14.5), SimFluid(871.0, 115.0, 15.2)


@functools.lru_cache(maxsize=32)
def _supplied(fluid: SimFluid, supply_c: float) -> tuple[float, float, float, float]:
    """Its viscosity there and at 20 °C, its density, and litres at 20 °C per litre: asked for at every step."""
    density = fluid.density_kg_m3(supply_c)
    return fluid.kv_mm2_s(supply_c), fluid.kv_mm2_s(20.0), density, density / fluid.density_kg_m3(20.0)


@dataclass(frozen=True)
class PlantSettings:
    """Everything about the bay that nobody in it knows exactly. Volumes in litres at 20 °C."""

    old: SimFluid = OLD
    fresh: SimFluid = FRESH
    capacity_l: float = 2.9
    old_volume_l: float = 2.85
    puddle_l: float = 0.025
    """Old fluid that this way of emptying cannot reach."""
    walls_m: tuple[tuple[float, float], ...] = ((0.08, 1.2), (0.16, 1.3), (0.24, 0.6))
    """Height and width of each wetted wall, gear and tube inside."""
    outlet_m2: float = 3.0e-5
    suction_l_min: float = 0.0
    """Above zero the compartment is emptied by a suction tube instead of an opening."""
    compartment_c: float = 52.0
    supply_c: float = 17.0
    air_c: float = 18.0
    cooling_s: float = 1500.0
    pump_l_min: float = 3.6
    pump_kv_half_mm2_s: float = 900.0
    pump_lag_s: float = 0.12
    pump_ramp_s: float = 0.18
    k_factor_per_l: float = 402.5
    """Of the meter in the fresh fluid at 20 °C."""
    slip_mm2_s: float = 0.6
    """The meter lets the share slip / kv through uncounted."""
    zero_count: float = 84213.0
    kg_per_count: float = 4.761e-6
    noise_counts: float = 25.0
    pan_kg: float = 1.62
    creep_rel: float = 0.0001
    creep_s: float = 600.0
    zero_walk_kg: float = 2.0e-5
    """Random walk of the cell's zero: standard deviation after one minute."""
    zero_kg_per_c: float = 0.0
    air_swing_c: float = 0.0
    """The air swings by this much around air_c in the course of an hour, and the cell's zero with it."""
    pocket_l: float = 0.0
    """Old fluid behind a rib, that leaves only when `tip_pocket` says so."""
    foam_share: float = 0.0
    """Air that the pump beats into the fresh fluid, as a share of its volume; it rises out in minutes."""
    evaporation_s: float = 4000.0
    """Solvent in the pan leaves by the factor e in this time."""
    air_kg_m3: float = 1.19
    drum_l: float = 38.0
    pan_b: SecondPan | None = None
    seed: int = 1


_FILM_M = 1.2e-3
_SUMP_M2 = 0.035
_POCKET_S = 0.8
_FOAM_S = 90.0
_DROP_KG = 4.0e-5
_LEAST_ROOM_L = 0.001
_CENTRE = 0.7
"""The share of the compartment that the fill plug opens into; the rest are tubes that fill through a gap."""


def _second(s: PlantSettings, pan_b: SecondPan) -> Scale:
    """The second pan: its own cell, in the same air and with the same fluids."""
    own = {name: value for name, value in vars(pan_b).items() if not name.endswith("_share")}
    draws = random.Random(s.seed ^ 0xB0B)
    disturbed = Disturbances(random.Random(s.seed ^ 0x2ED), evaporation_s=s.evaporation_s)
    return Scale(replace(s, **own), draws, disturbed)


@dataclass
class Plant:
    """The bay's physical state. Verbs act on the world; the station sees it through chips and pins alone."""

    settings: PlantSettings = field(default_factory=PlantSettings)
    time_s: float = 0.0
    delivered_kg: float = 0.0
    hose_at: str = "plug"
    """Where the hose ends: ``plug``, ``pan`` or ``waste``, a vessel that nobody weighs."""
    wasted_kg: float = 0.0
    leak_l_h: float = 0.0
    """What seeps past a gasket once the fill plug is in."""

    def __post_init__(self) -> None:
        s = self.settings
        self._random = random.Random(s.seed)
        self._films_m = [_FILM_M for _ in s.walls_m]
        films_l = sum(self._film_l(i) for i in range(len(s.walls_m)))
        self._bulk_l = s.old_volume_l - s.puddle_l - s.pocket_l - films_l
        if self._bulk_l <= 0:
            raise ValueError(f"old_volume_l is {s.old_volume_l} L, expected more than its films and puddle")
        self._bulk_0_l = self._bulk_l
        self._open = False
        self._fill_plug_in = False
        self._hanging_kg = self._seep_kg = 0.0
        self._cooling_c = s.compartment_c
        self._pan_c = s.air_c
        self.line = SupplyLine(s)
        self._centre_l = self._tubes_l = 0.0
        self._pocket_l, self._pocket_tipped = s.pocket_l, False
        self._foam_l = 0.0
        disturbed = Disturbances(random.Random(s.seed ^ 0x5EED), evaporation_s=s.evaporation_s)
        self.pan = Scale(s, self._random, disturbed)
        self.pan_b = None if s.pan_b is None else _second(s, s.pan_b)

    # --- verbs of the world -------------------------------------------------------------------------------

    def open_drain(self) -> None:
        """Cover off, plug out or suction tube in."""
        self._open = True

    def close_drain(self) -> None:
        """Cover on and sealed, plug in, tube out."""
        self._open = False

    def plug_in(self) -> None:
        """The fill plug is back: nothing runs over any more."""
        self._fill_plug_in = True

    def kick(self) -> None:
        """Somebody knocks the pan; it rings for about two seconds."""
        self.pan.disturbed.kick(self.time_s)

    def drop(self, mass_kg: float) -> None:
        """Something that is not fluid lands in the pan."""
        self.pan.disturbed.drop(self.time_s, mass_kg)

    def tip_pocket(self) -> None:
        """What stood behind a rib lets go at once, in a gulp."""
        self._pocket_tipped = True

    # --- what sensors see ---------------------------------------------------------------------------------

    @property
    def at_plug(self) -> bool:
        """Whether fluid stands at the fill plug's lower edge: what the technician can see."""
        return self._centre_l >= self._room_l * _CENTRE

    @property
    def bulk_l(self) -> float:
        """Old fluid that still runs as a stream; 0 once only films drip."""
        return self._bulk_l

    @property
    def pulses(self) -> int:
        return self.line.pulses

    @property
    def pulses_b(self) -> int:
        return self.line.pulses_b

    @property
    def flow_l_min(self) -> float:
        return self.line.flow_l_s * 60.0

    @property
    def air_c(self) -> float:
        s = self.settings
        return s.air_c + s.air_swing_c * math.sin(2.0 * math.pi * self.time_s / 3600.0 + s.seed % 7)

    def temperatures(self) -> dict[str, float]:
        """What the thermometers stand in, °C."""
        return {"fluid_drained_c": self._pan_c, "fluid_supply_c": self.settings.supply_c, "air_c": self.air_c}

    def adc_count(self) -> int:
        """One fresh conversion of the load cell's bridge."""
        return self.pan.count(self.time_s, self._pan_c, self.air_c)

    def adc_count_b(self) -> int:
        """The same of the second pan's; raises ValueError where the bay has none."""
        if self.pan_b is None:
            raise ValueError("this bay has one pan; expected settings with pan_b")
        return self.pan_b.count(self.time_s, self._pan_c, self.air_c)

    # --- truth, for whoever compares ------------------------------------------------------------------------

    @property
    def pans(self) -> tuple[Scale, ...]:
        return (self.pan,) if self.pan_b is None else (self.pan, self.pan_b)

    @property
    def old_in_pan_kg(self) -> float:
        """Old fluid that fell into any pan so far."""
        return sum(pan.old_kg for pan in self.pans)

    @property
    def fresh_in_pan_kg(self) -> float:
        """Fresh fluid that fell into any pan so far."""
        return sum(pan.fresh_kg for pan in self.pans)

    def drained_l(self, reference_c: float) -> float:
        """Old fluid that reached the pan so far, as a volume at reference_c."""
        return self.old_in_pan_kg / self.settings.old.density_kg_m3(reference_c) * 1000.0

    def filled_l(self, reference_c: float) -> float:
        """Fresh fluid that is in the compartment now, as a volume at reference_c."""
        kept_kg = self.delivered_kg - self.fresh_in_pan_kg
        return kept_kg / self.settings.fresh.density_kg_m3(reference_c) * 1000.0

    # --- laws -----------------------------------------------------------------------------------------------

    @property
    def retained_l(self) -> float:
        """Old fluid still inside, litres at 20 °C."""
        films_l = sum(self._film_l(i) for i in range(len(self._films_m)))
        return self._bulk_l + self.settings.puddle_l + self._pocket_l + films_l

    @property
    def _room_l(self) -> float:
        """Room below the plug's lip that old fluid does not take up; in a full compartment next to none."""
        return max(_LEAST_ROOM_L, self.settings.capacity_l - self.retained_l)

    def _film_l(self, wall: int) -> float:
        height_m, width_m = self.settings.walls_m[wall]
        return 2.0 / 3.0 * height_m * width_m * self._films_m[wall] * 1000.0

    def advance(self, dt_s: float, pump_on: bool) -> None:
        """Let dt_s seconds pass, the pump's relay being as given."""
        self.time_s += dt_s
        s = self.settings
        before_kg = [pan.old_kg + pan.fresh_kg for pan in self.pans]
        if self._open:
            self._drain(dt_s)
        self._fill(dt_s, pump_on)
        if self._fill_plug_in and self.leak_l_h > 0:
            self._seep_kg += self.leak_l_h / 3600.0 * dt_s * s.fresh.density_kg_m3(20.0) / 1000.0
            drops_kg = _DROP_KG * math.floor(self._seep_kg / _DROP_KG)
            self._seep_kg -= drops_kg
            self.pan.fresh_kg += drops_kg
        for pan, kg in zip(self.pans, before_kg, strict=True):
            pan.advance(self.time_s, dt_s, kg)
        self._pan_c += (s.air_c - self._pan_c) * dt_s / (1.2 * s.cooling_s)

    def _drain(self, dt_s: float) -> None:
        s = self.settings
        self._cooling_c += (s.air_c - self._cooling_c) * dt_s / s.cooling_s
        kv = s.old.kv_mm2_s(self._cooling_c)
        out_l = 0.0
        if self._bulk_l > 0:
            if s.suction_l_min > 0:
                out_l = s.suction_l_min / 60.0 * dt_s / (1.0 + kv / 600.0)
            else:
                speed = math.sqrt(2.0 * GRAVITY_M_S2 * self._bulk_l / 1000.0 / _SUMP_M2)
                out_l = 0.6 * s.outlet_m2 * speed * dt_s * 1000.0 / (1.0 + kv / 150.0)
            # The last of the stream breaks up over the lip instead of ending as a square root would.
            out_l = min(out_l, self._bulk_l, 0.25 * self._bulk_l + 0.002)
            self._bulk_l -= out_l
            if self._bulk_l < 1e-6:
                self._bulk_l = 0.0
        if s.suction_l_min == 0:
            # Walls come out of the fluid as it falls; a film thins for the share of its wall that stands free.
            bare = 1.0 - self._bulk_l / self._bulk_0_l
            for wall, (height_m, _) in enumerate(s.walls_m):
                # d(1/h²)/dt = g / (ν H): Jeffreys' similarity film, exact while ν is constant.
                before_l, film_m = self._film_l(wall), self._films_m[wall]
                thinner = film_m**-2 + bare * GRAVITY_M_S2 * dt_s / (kv * 1e-6 * height_m)
                self._films_m[wall] = thinner**-0.5
                out_l += before_l - self._film_l(wall)
        if self._pocket_tipped and self._pocket_l > 0:
            gulp_l = self._pocket_l * (1.0 - math.exp(-dt_s / _POCKET_S)) + 1e-6
            gulp_l = min(gulp_l, self._pocket_l)
            self._pocket_l -= gulp_l
            out_l += gulp_l
        self._hanging_kg += out_l * s.old.density_kg_m3(20.0) / 1000.0
        fallen_kg = self._hanging_kg if out_l > 0.0005 else _DROP_KG * math.floor(self._hanging_kg / _DROP_KG)
        if fallen_kg > 0:
            self._hanging_kg -= fallen_kg
            kept_kg = 0.0
            if self.pan_b is not None and s.pan_b is not None and s.pan_b.drain_share > 0:
                apart_kg = s.pan_b.drain_share * fallen_kg
                kept_kg, fallen_kg = self.pan_b.catch(self.time_s, apart_kg), fallen_kg - apart_kg
            kept_kg += self.pan.catch(self.time_s, fallen_kg)
            if kept_kg > 0:
                self._pan_c += (self._cooling_c - self._pan_c) * kept_kg / self.old_in_pan_kg

    def _fill(self, dt_s: float, pump_on: bool) -> None:
        s = self.settings
        kv, kv_20, density, to_20 = _supplied(s.fresh, s.supply_c)
        poured_l = self.line.advance(self.time_s, dt_s, pump_on, kv, kv_20, to_20)
        if poured_l > 0:
            poured_kg = poured_l * density / 1000.0
            if self.hose_at == "waste":
                self.wasted_kg += poured_kg
            else:
                self.delivered_kg += poured_kg
                self._foam_l += s.foam_share * poured_l
                if self.hose_at == "pan":
                    self.pan.fresh_kg += poured_kg
                else:
                    self._centre_l += poured_l * to_20
        self._foam_l -= self._foam_l * dt_s / _FOAM_S
        self._run_over(dt_s, kv)

    def _run_over(self, dt_s: float, kv: float) -> None:
        """The centre fills first and runs over at the lip while the tubes still have room."""
        if self._centre_l + self._tubes_l == 0.0:
            return
        room_l = self._room_l
        centre, tubes = self._centre_l / (_CENTRE * room_l), self._tubes_l / ((1.0 - _CENTRE) * room_l)
        # Never past the level that both would come to: a small room would swing itself up.
        share = min(0.9 * dt_s / (1.0 + kv / 200.0), _CENTRE * (1.0 - _CENTRE) * room_l)
        across_l = (centre - tubes) * share
        self._centre_l -= across_l
        self._tubes_l += across_l
        over_l = self._centre_l + _CENTRE * self._foam_l - _CENTRE * room_l
        if over_l > 0 and not self._fill_plug_in:
            out_l = min(self._centre_l, over_l * (1.0 - math.exp(-dt_s / 1.5)))
            self._centre_l -= out_l
            out_kg = out_l * self.settings.fresh.density_kg_m3(20.0) / 1000.0
            if self.pan_b is not None and self.settings.pan_b is not None:
                apart_kg = self.settings.pan_b.overflow_share * out_kg
                self.pan_b.fresh_kg += apart_kg
                out_kg -= apart_kg
            self.pan.fresh_kg += out_kg
