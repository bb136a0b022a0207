"""Varied simulated jobs, one per seed: compartments, fluids, temperatures, sensors, people and mishaps.

All makes of fluid and vehicle are invented; ranges are what workshops see (common practice, no source).
"""

import math
import random
from dataclasses import dataclass, replace

from hardware.simulated.plant import PlantSettings
from station.given.job import spec_from_tables
from station.rehearsing.mishap import After, Kind, Mishap
from station.rehearsing.scenario import Scenario, Technician, believed_plant

# density at 15 °C, viscosity at 40 and at 100 °C
FLUIDS = (
    (0.885e3, 120.0, 14.5),
    (0.871e3, 115.0, 15.2),
    (0.893e3, 145.0, 14.8),
    (0.878e3, 170.0, 25.0),
    (0.865e3, 68.0, 10.6),
)
U_DENSITY_REL = 0.001

SLIP_MM2_S = (0.0, 1.6)
"""Root mean square 0.92, more than the station's own standard uncertainty of 0.7: no meter is asked to suit it."""
LN_EVAPORATION_S = (math.log(1200.0), math.log(8000.0))


@dataclass(frozen=True)
class StudyJob:
    """A scenario with what the study wants to find in it again."""

    seed: int
    scenario: Scenario
    undisturbed: bool


def _fluid(rng: random.Random) -> dict[str, object]:
    density, kv40, kv100 = rng.choice(FLUIDS)
    return {
        "kind": "lubricant",
        "density_15_kg_m3": density,
        # Measured, as sound instruments are: what an assumed density does to a figure is tests/apart's to show.
        "density_origin": "measured",
        "u_density_kg_m3": U_DENSITY_REL * density,
        "kv40_mm2_s": kv40,
        "kv100_mm2_s": kv100,
    }


def study_job(seed: int) -> StudyJob:
    """The job of one seed. A quarter of them is left undisturbed."""
    rng = random.Random(f"study {seed}")
    method = rng.choices(("cover removed", "drain plug", "suction"), (5, 3, 2))[0]
    capacity_l = rng.uniform(1.8, 5.5)
    spec = spec_from_tables(
        {
            "job": {"capacity": f"{capacity_l:.2f} L", "method": method},
            "fluid": {"drained": _fluid(rng), "fresh": _fluid(rng)},
            "pan": {
                "zero_count": rng.randrange(-200000, 200000),
                "kg_per_count": 4.761e-6,
                "u_rel": 0.0005,
                "noise_counts": rng.choice((15.0, 25.0, 50.0)),
            },
            "meter": {"k_factor_per_l": 402.5, "u_rel": 0.0015},
            "air": {"pressure_hpa": rng.uniform(930.0, 1030.0), "relative_humidity": rng.uniform(0.2, 0.8)},
        },
        f"study job {seed}",
    )
    air_c = rng.uniform(8.0, 30.0)
    plant = replace(
        believed_plant(spec),
        compartment_c=rng.uniform(25.0, 65.0),
        supply_c=max(12.0, min(28.0, air_c + rng.uniform(-3.0, 3.0))),
        air_c=air_c,
        old_volume_l=spec.capacity_l * rng.uniform(0.85, 1.0),
        capacity_l=spec.capacity_l
        * (rng.uniform(0.955, 0.99) if rng.random() < 0.4 else rng.uniform(0.99, 1.05)),
        outlet_m2=rng.uniform(4.0e-5, 1.2e-4),
        cooling_s=rng.uniform(900.0, 2400.0),
        pan_kg=rng.uniform(0.9, 2.2),
        zero_kg_per_c=rng.gauss(0.0, 1.0e-4),
        air_swing_c=rng.uniform(0.0, 1.5),
        foam_share=rng.uniform(0.0, 0.04),
        pump_l_min=rng.uniform(2.4, 4.5),
    )
    plant = _retaining(plant, rng.gauss(spec.retained_l, spec.u_retained_l), method)
    technician = Technician(
        patience_s=rng.uniform(450.0, 800.0),
        least_drip_s=rng.uniform(60.0, 420.0),
        cure_s=rng.uniform(200.0, 300.0),
        stop_early_l=rng.uniform(0.0, 0.35) if rng.random() < 0.35 else 0.0,
    )
    undisturbed = rng.random() < 0.25
    mishaps = () if undisturbed else _mishaps(rng, method)
    if any(m.kind == "gulp" for m in mishaps):
        plant = replace(plant, pocket_l=rng.uniform(0.01, 0.03))
    more = random.Random(f"study more {seed}")  # a draw of its own, so that older seeds keep their jobs
    plant = replace(
        plant, slip_mm2_s=more.uniform(*SLIP_MM2_S), evaporation_s=math.exp(more.uniform(*LN_EVAPORATION_S))
    )
    return StudyJob(seed, Scenario(spec, plant, technician, mishaps), undisturbed)


def _retaining(plant: PlantSettings, retained_l: float, method: str) -> PlantSettings:
    """So much old fluid stays in all: the puddle is what the films do not make up, as far as there is room."""
    if (
        method == "suction"
    ):  # nothing runs down to where the tube is; small walls, so that the films leave room
        walls_m = tuple((h, 0.3 * w) for h, w in plant.walls_m)
        films_l = sum(2.0 / 3.0 * h * w * 1.2 for h, w in walls_m)
    else:
        walls_m, films_l = plant.walls_m, 0.012 * plant.capacity_l
    return replace(plant, walls_m=walls_m, puddle_l=max(0.0, retained_l - films_l))


def _mishaps(rng: random.Random, method: str) -> tuple[Mishap, ...]:
    """One to four things that go wrong, and perhaps solvent and a leak."""
    found: list[Mishap] = []
    drip_s = 30.0  # a drip forecast at three minutes shall have seen some of it undisturbed and some not

    def bolt_in_drip() -> Mishap:
        return Mishap("drop", "drip", rng.uniform(drip_s, 300.0), kg=0.02)

    def bolt_in_bulk() -> Mishap:
        return Mishap("drop", "drain_open", rng.uniform(8.0, 60.0), kg=0.02)

    def knock() -> Mishap:
        after: After = rng.choice(("drain_open", "drip", "fill_start", "fill_done"))
        return Mishap("kick", after, rng.uniform(5.0, 100.0), kg=rng.uniform(0.1, 2.0))

    def tool() -> Mishap:
        after: After = rng.choice(("drain_open", "drip", "fill_start"))
        return Mishap(
            "tool", after, rng.uniform(5.0, 200.0), kg=rng.uniform(0.002, 0.02), lasts_s=rng.uniform(5, 40)
        )

    def shift() -> Mishap:
        return Mishap("shift", "drip", rng.uniform(20.0, 400.0), rel=rng.uniform(-0.001, 0.001))

    def lift() -> Mishap:
        kind: Kind = rng.choice(("lift", "empty", "swap"))
        swap_kg = rng.uniform(-0.3, 0.5)
        return Mishap(kind, "drip", rng.uniform(drip_s, 300.0), kg=swap_kg, lasts_s=rng.uniform(4.0, 25.0))

    def gulp() -> Mishap:
        return Mishap("gulp", "drip", rng.uniform(drip_s, 300.0))

    kinds = [bolt_in_drip, bolt_in_bulk, knock, tool, shift, lift, gulp]
    for draw in rng.choices(kinds, (4, 4, 4, 2, 1, 1, 1), k=rng.randint(1, 3)):
        found.append(draw())
    if rng.random() < 0.35:  # something laid on the pan and taken off again
        kg = rng.choice((0.05, 0.25, 0.6, 1.4))
        after: After = rng.choice(("drip", "drip", "fill_start"))
        at_s = rng.uniform(20.0, 200.0)
        found.append(Mishap("lay", after, at_s, kg=kg))
        found.append(Mishap("take", after, at_s + rng.uniform(10.0, 120.0), kg=kg))
    if method != "suction" and rng.random() < 0.4:
        kg, kg_s = rng.uniform(0.05, 0.4), rng.uniform(0.004, 0.015)
        unmarked = rng.random() < 0.5
        when: tuple[After, float] = (
            ("drip", rng.uniform(150.0, 500.0)) if unmarked else ("drain_done", rng.uniform(3.0, 15.0))
        )
        found.append(Mishap("flush", *when, kg=kg, kg_s=kg_s))
    if rng.random() < 0.2:
        found.append(Mishap("leak", "plug_in", 0.0, l_h=rng.choice((0.02, 0.05, 0.2))))
    return tuple(found)
