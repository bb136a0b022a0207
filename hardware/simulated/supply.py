"""Drum, pump, hose and meter of a simulated bay, and everything that goes wrong between them.

Its laws are apart from the station's: a lag and a first-order ramp that thicken with the fluid and jitter from edge
to edge, air that spins the meter by a factor the station does not know, a siphon that ramps like the pump does.
"""

import math
import random
from typing import Protocol


class PumpSettings(Protocol):
    """What ``SupplyLine`` reads of the plant's settings."""

    @property
    def pump_l_min(self) -> float: ...
    @property
    def pump_kv_half_mm2_s(self) -> float: ...
    @property
    def pump_lag_s(self) -> float: ...
    @property
    def pump_ramp_s(self) -> float: ...
    @property
    def k_factor_per_l(self) -> float: ...
    @property
    def slip_mm2_s(self) -> float: ...
    @property
    def drum_l(self) -> float: ...
    @property
    def seed(self) -> int: ...


FINE_SHARE = 0.2
"""Flow at the pump's second speed, where it has one."""


class SupplyLine:
    """The fluid's way to the plug. Attributes below ``drum_l`` are what a test or a bench breaks.

    welded: the relay's contact stays closed whatever the pin says. cut: something in series holds the circuit open. share: of the pump's flow that gets through; 0 is
    a kinked hose. siphon_l_s: what runs with the pump off. counted, counted_b: share of pulses that each meter train
    gives. extra_hz: pulses that nobody pumped, from noise on the wire. lag_jitter_s: of each switching.
    ramp_per_kv: by how much the ramp grows per mm²/s.
    """

    def __init__(self, settings: PumpSettings) -> None:
        self._s = settings
        self._random = random.Random(settings.seed ^ 0xA1)
        self.flow_l_s = 0.0
        self.pulses = self.pulses_b = 0
        self._exact = self._exact_b = 0.0
        self._seen = self._acts = False
        self._since_s = self._lag_s = 0.0
        self._air_l = 0.0
        self._air_speed = 1.0
        self.metered_l = 0.0
        """Volume that truly passed the meter, air included, at the supply's temperature."""
        self.fluid_l = 0.0
        """The same without air."""
        self.fine = False
        self.drum_l = settings.drum_l
        self.welded = False
        self.cut = False
        self.share = 1.0
        self.siphon_l_s = 0.0
        self.counted = self.counted_b = 1.0
        self.extra_hz = 0.0
        self.lag_jitter_s = 0.0
        self.ramp_per_kv = 0.0

    def suck_air(self, air_l: float) -> None:
        """The next so many litres that the pump draws are air: the meter spins through them."""
        self._air_l += air_l
        self._air_speed = self._random.uniform(1.6, 2.6)

    def spin(self, pulses: int) -> None:
        """Somebody turns the meter's rotor, or blows through it: it counts, and nothing was pumped."""
        self._exact += pulses
        self._exact_b += pulses

    def advance(
        self, time_s: float, dt_s: float, relay: bool, kv: float, kv_20: float, to_20: float
    ) -> float:
        """Let dt_s pass; fluid that left the hose, litres at the supply's temperature.

        relay: the level on the relay's coil. kv, kv_20: of the fluid as it is and at 20 °C, mm²/s. to_20: litres at
        20 °C per litre at the supply's temperature.
        """
        s = self._s
        on = (relay or self.welded) and not self.cut
        if on != self._seen:
            self._seen, self._since_s = on, time_s
            jitter = self._random.gauss(0.0, self.lag_jitter_s) if self.lag_jitter_s else 0.0
            self._lag_s = max(0.0, s.pump_lag_s + jitter)
        if time_s - self._since_s >= self._lag_s:
            self._acts = self._seen
        steady_l_s = s.pump_l_min / 60.0 / (1.0 + kv / s.pump_kv_half_mm2_s) if self._acts else 0.0
        steady_l_s *= self.share * (FINE_SHARE if self.fine else 1.0)
        if self._acts and self._air_l > 0:
            steady_l_s *= self._air_speed
        steady_l_s = max(steady_l_s, self.siphon_l_s)
        if self.drum_l <= 0:
            steady_l_s = 0.0
        ramp_s = s.pump_ramp_s * (1.0 + self.ramp_per_kv * kv)
        self.flow_l_s += (steady_l_s - self.flow_l_s) * (1.0 - math.exp(-dt_s / ramp_s))
        if self.flow_l_s < 1e-5 and not self._acts:
            self.flow_l_s = 0.0
        moved_l = self.flow_l_s * dt_s
        if self.extra_hz:
            self._exact += self.extra_hz * dt_s
            self._exact_b += self.extra_hz * dt_s
        if moved_l > 0:
            counted = s.k_factor_per_l * (1.0 - s.slip_mm2_s / kv) / (1.0 - s.slip_mm2_s / kv_20)
            self._exact += moved_l * counted * self.counted
            self._exact_b += moved_l * counted * self.counted_b
            self.metered_l += moved_l
        self.pulses, self.pulses_b = math.floor(self._exact), math.floor(self._exact_b)
        air_l = min(self._air_l, moved_l)
        self._air_l -= air_l
        poured_l = moved_l - air_l
        self.drum_l -= poured_l * to_20
        self.fluid_l += poured_l
        return poured_l
