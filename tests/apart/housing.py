"""A compartment of fixed geometry: how old fluid leaves it, and how fresh fluid comes to its lip.

Old fluid leaves as a stream, as films (walls thin as t^(-1/2), nearly level floors as t^(-1/3)), and as a pool that
leaves in gulps. The films' laws are those of lubrication theory for constant viscosity; while the oil cools, time
runs slower for them in proportion.
"""

import math
import random
from dataclasses import dataclass

import numpy as np

G = 9.80665
OFF_LEVEL = 0.02
"""Of the volume to the lip: from here on a spirit level shows that the vehicle does not stand level."""


@dataclass(frozen=True)
class Compartment:
    """volume_l: up to the lip of the plug, at 20 °C, vehicle level. expansion_per_k: of the housing's volume.

    walls_m2, wall_m: wetted walls and their height. floors_m2, floor_m: nearly level floors and the way to their edge.
    pool_l: what stands behind ribs and leaves in gulps. dead_l: what this way of emptying never reaches.
    tilt: of the volume to the lip, when the vehicle does not stand level. side: share of the room that fills through
    a gap, with a lag of side_s. leak_l_s: through the joint at the bottom once it is closed again, with the room full of
    fluid of 100 mm²/s; it drips into the pan. plug_l_s: past the plug, once it is in.
    """

    volume_l: float = 2.9
    expansion_per_k: float = 3.5e-5
    walls_m2: float = 0.30
    wall_m: float = 0.15
    floors_m2: float = 0.020
    floor_m: float = 0.08
    pool_l: float = 0.02
    dead_l: float = 0.02
    tilt: float = 0.0
    side: float = 0.12
    side_s: float = 8.0
    leak_l_s: float = 0.0
    plug_l_s: float = 0.0

    def lip_l(self, housing_c: float) -> float:
        """Volume up to the lip as the vehicle stands."""
        return self.level_l(housing_c) * (1.0 + self.tilt)

    @property
    def off_level(self) -> bool:
        """What a spirit level on the housing shows to who lays one and reads it."""
        return abs(self.tilt) > OFF_LEVEL

    def level_l(self, housing_c: float) -> float:
        """Volume up to the lip on a level vehicle."""
        return self.volume_l * (1.0 + self.expansion_per_k * (housing_c - 20.0))


@dataclass(frozen=True)
class Drained:
    """t_s: seconds since the drain was opened. out_l: what has left by then, litres at 20 °C. left_l: still inside."""

    t_s: np.ndarray
    out_l: np.ndarray
    left_l: np.ndarray
    temperature_c: np.ndarray


def drain(
    box: Compartment,
    inside_l: float,
    kv_of: "np.ufunc | object",
    start_c: float,
    ambient_c: float,
    cooling_s: float,
    stream_s: float,
    lasts_s: float,
    rng: random.Random,
) -> Drained:
    """How inside_l (litres at 20 °C) leaves within lasts_s.

    kv_of: kinematic viscosity in mm²/s at a temperature. stream_s: for how long the stream runs at 100 mm²/s; thicker
    fluid takes longer.
    """
    t_s = np.arange(0.0, lasts_s + 0.25, 0.25)
    temperature_c = ambient_c + (start_c - ambient_c) * np.exp(-t_s / cooling_s)
    kv = np.array([kv_of(float(c)) for c in temperature_c[::40]])  # type: ignore[operator]
    kv = np.interp(t_s, t_s[::40], kv)
    first = kv[0]
    stream_s *= 0.6 + 0.4 * first / 100.0 if first < 400.0 else 1.6 + 0.1 * (first - 400.0) / 100.0
    slowed_s = np.cumsum(first / kv) * 0.25
    films = _films_l(box, first, np.full(1, 6.0))[0]
    bulk_l = inside_l - films - box.pool_l - box.dead_l
    if bulk_l <= 0:
        raise ValueError(f"inside_l is {inside_l}, expected more than films, pool and dead room")
    x = np.clip(t_s / stream_s, 0.0, 1.0)
    bulk_left = bulk_l * (1.0 - x) ** 2
    bare_s = np.clip(slowed_s - 0.7 * stream_s, 0.0, None)
    films_left = _films_l(box, first, 6.0 + bare_s)
    pool_left = _gulps(box.pool_l, stream_s, t_s, rng)
    left = bulk_left + films_left + pool_left + box.dead_l
    left += inside_l - left[0]
    left = np.minimum.accumulate(left)
    return Drained(t_s, left[0] - left, left, temperature_c)


def _films_l(box: Compartment, kv_mm2_s: float, t_s: np.ndarray) -> np.ndarray:
    """Walls: 2/3 A sqrt(ν H / (g t)). Floors: A (3 ν L² / (g t))^(1/3), a layer that spreads under its own weight."""
    kv = kv_mm2_s * 1e-6
    walls = 2.0 / 3.0 * box.walls_m2 * np.sqrt(kv * box.wall_m / (G * t_s))
    floors = box.floors_m2 * (3.0 * kv * box.floor_m**2 / (G * t_s)) ** (1.0 / 3.0)
    return 1000.0 * (walls + floors)


def _gulps(pool_l: float, stream_s: float, t_s: np.ndarray, rng: random.Random) -> np.ndarray:
    """A pool that lets go a part of itself now and then, each time within about a second."""
    left = np.full(t_s.shape, pool_l)
    at_s, rest = stream_s, pool_l
    while rest > 0.001 and at_s < t_s[-1]:
        at_s += rng.expovariate(1.0 / 70.0)
        goes = rest * rng.uniform(0.25, 0.7)
        rest -= goes
        left -= goes * (1.0 - np.exp(-np.clip(t_s - at_s, 0.0, None) / 0.7))
    return left


class Filling:
    """Fresh fluid above the old fluid that stayed. Volumes in litres at the temperature they have inside."""

    def __init__(self, box: Compartment, old_l: float, housing_c: float, foam: float) -> None:
        self.box, self.housing_c, self.foam = box, housing_c, foam
        self.old_l = old_l
        self.main_l = self.side_l = 0.0
        self.foam_l = self.leaked_l = 0.0
        self.plugged = False

    @property
    def fresh_l(self) -> float:
        return self.main_l + self.side_l

    @property
    def room_l(self) -> float:
        return max(0.02, self.box.lip_l(self.housing_c) - self.old_l)

    @property
    def below_lip_l(self) -> float:
        """What is missing up to the lip as the vehicle stands, foam counted as fluid: what an eye sees."""
        return (1.0 - self.box.side) * self.room_l - self.main_l - self.foam_l

    def advance(self, dt_s: float, poured_l: float, kv_mm2_s: float) -> tuple[float, float]:
        """Pour, spread, run over; litres of fluid that ran over, and how much of its volume was foam's."""
        side = self.box.side
        joint_l_s = self.box.leak_l_s * self.fresh_l / self.room_l * 100.0 / kv_mm2_s
        leaks = min(self.main_l, dt_s * (joint_l_s + (self.box.plug_l_s if self.plugged else 0.0)))
        self.main_l += poured_l - leaks
        self.leaked_l += leaks
        self.foam_l += self.foam * poured_l
        self.foam_l *= math.exp(-dt_s / 80.0)
        lag = min(1.0, dt_s / (self.box.side_s * (1.0 + kv_mm2_s / 600.0)))
        across = (self.main_l / (1.0 - side) - self.side_l / side) * side * (1.0 - side) * lag
        self.main_l -= across
        self.side_l += across
        excess = self.main_l + self.foam_l - (1.0 - side) * self.room_l
        if excess <= 0 or self.plugged:
            return 0.0, 0.0
        out = excess * (1.0 - math.exp(-dt_s / (1.5 * (1.0 + kv_mm2_s / 900.0))))
        fluid = out * self.main_l / (self.main_l + 2.0 * self.foam_l)
        self.main_l -= fluid
        self.foam_l = max(0.0, self.foam_l - (out - fluid))
        return fluid, out - fluid
