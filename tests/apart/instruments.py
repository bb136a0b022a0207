"""Pan, meter and container scale: sound within what their papers say, or wrong in a class of ways."""

import math
import random
from dataclasses import dataclass


@dataclass(frozen=True)
class PanErrors:
    """slope: relative. s_shape_kg: amplitude of an S-shaped error over full_kg. walk_kg: of the zero, one standard
    deviation after 15 minutes. warm_kg: zero shift when the pan has taken the warmth of the oil, reached with time
    constant warm_s. wild: chance of a wild count (2^n − 1) per reading."""

    slope: float = 0.0
    s_shape_kg: float = 0.0
    full_kg: float = 20.0
    walk_kg: float = 3e-4
    warm_kg: float = 0.0
    warm_s: float = 400.0
    wild: float = 0.0


class Pan:
    """A cell and its converter; time goes one way."""

    def __init__(
        self, zero: int, kg_per_count: float, noise: float, errors: PanErrors, rng: random.Random
    ) -> None:
        self.zero, self.kg_per_count, self.noise, self.errors, self.rng = (
            zero,
            kg_per_count,
            noise,
            errors,
            rng,
        )
        self._t_s = 0.0
        self._walk_kg = 0.0
        self.warmed_from_s = math.inf

    def count(self, t_s: float, load_kg: float) -> int:
        """One conversion with load_kg on the cell, t_s seconds into the job."""
        e, rng = self.errors, self.rng
        dt_s, self._t_s = t_s - self._t_s, t_s
        self._walk_kg += rng.gauss(0.0, e.walk_kg) * math.sqrt(max(0.0, dt_s) / 900.0)
        kg = load_kg * (1.0 + e.slope) + self._walk_kg
        kg += e.s_shape_kg * math.sin(2.0 * math.pi * load_kg / e.full_kg)
        if t_s > self.warmed_from_s:
            kg += e.warm_kg * (1.0 - math.exp(-(t_s - self.warmed_from_s) / e.warm_s))
        if e.wild and rng.random() < e.wild:
            return int(2 ** rng.randrange(17, 23) - 1)
        return round(self.zero + kg / self.kg_per_count + rng.gauss(0.0, self.noise))


@dataclass(frozen=True)
class MeterErrors:
    """factor: pulses per true pulse. slip_mm2_s: share slip / ν passes uncounted. broken_tooth: of so many pulses one
    is missing; 0 for none. body_per_k: expansion of the meter's body."""

    factor: float = 1.0
    slip_mm2_s: float = 0.5
    broken_tooth: int = 0
    body_per_k: float = 6.9e-5


class Meter:
    """Counts what passes, air included."""

    def __init__(self, k_per_l: float, errors: MeterErrors, kv_20_mm2_s: float) -> None:
        self.k_per_l, self.errors = k_per_l, errors
        self._proved = 1.0 - errors.slip_mm2_s / kv_20_mm2_s
        self._exact = 0.0

    def passed(self, volume_l: float, kv_mm2_s: float, temperature_c: float) -> None:
        e = self.errors
        share = (1.0 - e.slip_mm2_s / max(kv_mm2_s, 4.0 * e.slip_mm2_s)) / self._proved
        body = 1.0 + e.body_per_k * (temperature_c - 20.0)
        self._exact += volume_l * self.k_per_l * e.factor * share / body

    @property
    def pulses(self) -> int:
        whole = math.floor(self._exact)
        tooth = self.errors.broken_tooth
        return whole - whole // tooth if tooth else whole


@dataclass(frozen=True)
class ContainerErrors:
    """slope: relative. sigma_kg: of one weighing. wrong_kg: what lay on the scale at the second weighing only."""

    slope: float = 0.0
    sigma_kg: float = 0.005
    wrong_kg: float = 0.0
