"""What the best observer could say who sees the station's witnesses and knows this shop's shares of faults by heart.

Particles: each is a vehicle, a meter and a way the fill may have gone, drawn from the shop's own shares given what
was listed and counted; each is weighed by what pan, eye and container said. Nobody can be held to more than this.
"""

import math
from dataclasses import dataclass

import numpy as np

from tests.apart.playing import Played
from tests.apart.shops import SHARES

PARTICLES = 40_000
DECIDES = 0.95
RUN_OFF_L = 0.016
"""How far below the lip the level stands after fluid ran over, as one half of a normal distribution: root mean square
of 338 plays of this plant without foam (seeds 500 to 899)."""
FOAMED_L = 0.09
"""The same where foam ran over, of 4 plays."""
TOUCH_L = 0.008
RETAINED_U_L = 0.010
"""What even a good reading of the drip leaves open: dead room and pools."""


@dataclass(frozen=True)
class Opinion:
    verdict: str
    p_short: float
    p_within: float
    p_over: float


def _phi(x: np.ndarray) -> np.ndarray:
    """Normal distribution function, by tanh (error below 2e-4: far below what particles resolve)."""
    return 0.5 * (1.0 + np.tanh(math.sqrt(2.0 / math.pi) * (x + 0.044715 * x**3)))


def _meters(n: int, kv: float, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Counted per true volume, and litres of air that were counted with it."""
    s = SHARES
    factor = 1.0 + rng.normal(0.0, s.meter_sigma, n)
    slip = rng.uniform(0.0, 1.0, n)
    shares = np.array([s.meter_drift, s.meter_slip, s.broken_tooth, s.air, s.container_wrong, s.pan, s.foam])
    kind = rng.choice(len(shares), n, p=shares / shares.sum())
    kind[rng.random(n) > s.instrument_fault] = -1
    drift = rng.choice((-1.0, 1.0), n) * rng.uniform(0.01, s.drift, n)
    factor += np.where(kind == 0, drift, 0.0)
    slip = np.where(kind == 1, rng.uniform(2.0, 5.0, n), slip)
    factor *= np.where(kind == 2, 1.0 - 1.0 / rng.integers(12, 40, n), 1.0)
    factor *= 1.0 - np.minimum(slip / kv, 0.25)
    air_l = np.where(kind == 3, rng.uniform(0.05, s.air_most_l, n), 0.0)
    return factor, air_l


def observe(played: Played) -> Opinion:
    """The posterior of where the level stands, from listing, meter, pan, eye and container."""
    scene, truth, s, n = played.scene, played.truth, SHARES, PARTICLES
    rng = np.random.default_rng(scene.seed + 77)
    typed, c = scene.typed, scene.supply_c
    number = typed.capacity.split()[0]
    digit_l = 0.1 if len(number.partition(".")[2]) == 1 else 0.05
    listed = float(number) + rng.uniform(-0.5, 0.5, n) * digit_l
    wrong = rng.random(n) < s.listing_wrong
    off = np.where(
        wrong, rng.choice((-1.0, 1.0), n) * rng.uniform(0.05, 0.15, n), rng.normal(0.0, s.listing_sigma, n)
    )
    volume_l = listed / (1.0 + off)
    tilted = rng.random(n) < s.tilted
    tilt = np.where(
        tilted, rng.choice((-1.0, 1.0), n) * rng.uniform(0.03, 0.07, n), rng.normal(0.0, s.tilt_sigma, n)
    )
    p = scene.people
    warmed_c = (scene.arrives_c - c) * math.exp(-(p.drains_s + p.waits_s) / 1600.0)
    housing_c = c + rng.uniform(0.0, 0.2, n) * warmed_c
    level_l = volume_l * (1.0 + 5e-5 * (housing_c - 20.0))
    seen_retained_l = truth.retained_l + rng.normal(
        0.0, RETAINED_U_L
    )  # one reading of the drip for all particles
    retained_l = seen_retained_l + rng.normal(0.0, RETAINED_U_L, n)
    kv = scene.fresh.kv_mm2_s(c)
    factor, air_l = _meters(n, kv, rng)
    factor /= 1.0 - 0.5 / scene.fresh.kv_mm2_s(20.0)
    poured_l = truth.counted_l / factor - air_l / scene.fresh.per_20(c)
    expands = 1.0 / (1.0 - scene.fresh.expansion_per_k * (housing_c - 20.0))
    content_l = (poured_l - truth.overflow_l + retained_l) * expands
    below_l = level_l - content_l
    standing_l = below_l + level_l * tilt
    weight = _pan(standing_l, truth.overflow_l, rng) * _eye(standing_l, truth.level_seen)
    says = np.where(tilted, s.ticked(off_level=True), s.ticked(off_level=False))
    weight *= says if p.ticks_level else 1.0 - says
    if truth.container_l is not None:
        weight *= _container(poured_l, truth.container_l, typed.fresh_origin)
    total = weight.sum()
    if total <= 0:
        return Opinion("undecided", 1 / 3, 1 / 3, 1 / 3)
    t = typed.tolerance_l
    p_short = float(weight[below_l > t].sum() / total)
    p_over = float(weight[below_l < -t].sum() / total)
    p_within = 1.0 - p_short - p_over
    best = max((p_short, "short"), (p_within, "full"), (p_over, "over"))
    return Opinion(best[1] if best[0] >= DECIDES else "undecided", p_short, p_within, p_over)


def _pan(standing_l: np.ndarray, over_l: float, rng: np.random.Generator) -> np.ndarray:
    """Whether the level agrees with what ran over, or did not. Somewhat ran over: it stood at the lip."""
    if over_l < 0.002:
        return _phi((standing_l - TOUCH_L) / TOUCH_L)
    foamed = rng.random(len(standing_l)) < SHARES.instrument_fault * SHARES.foam
    width_l = np.where(foamed, FOAMED_L, RUN_OFF_L)
    near = np.exp(-0.5 * (standing_l / width_l) ** 2) / width_l
    return np.where(standing_l > -0.002, near, near * np.exp(-0.5 * ((standing_l + 0.002) / 0.003) ** 2))


def _eye(standing_l: np.ndarray, seen: bool) -> np.ndarray:
    visible = standing_l <= 0.006
    says = np.where(visible, SHARES.looks, SHARES.misread)
    return says if seen else 1.0 - says


def _container(poured_l: np.ndarray, weighed_l: float, origin: str | None) -> np.ndarray:
    density_rel = 0.0006 if origin == "measured" else 0.001
    u_l = np.hypot(0.012, poured_l * math.hypot(density_rel, 0.0005))
    right = np.exp(-0.5 * ((poured_l - weighed_l) / u_l) ** 2) / u_l
    wrong = SHARES.instrument_fault * SHARES.container_wrong * 2.5
    off_l = np.abs(poured_l - weighed_l)
    return (1.0 - wrong) * right + wrong * np.where((off_l > 0.1) & (off_l < 0.6), 2.5, 1e-9)
