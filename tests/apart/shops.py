"""A whole shop's work, one job a seed: a third of it with a fault of the instruments, some with a fault of people.

The shares below are this plant's own; none was measured in a workshop. ``ideal.py`` knows them, the station does not.
"""

import random
from dataclasses import dataclass, replace

from tests.apart.housing import Compartment
from tests.apart.instruments import ContainerErrors, MeterErrors, PanErrors
from tests.apart.matter import Fluid
from tests.apart.scene import People, Pump, Scene, Typed

FLUIDS = (
    Fluid(858.0, 34.0, 7.2, 7.6e-4),
    Fluid(871.0, 115.0, 15.2, 7.2e-4),
    Fluid(885.0, 120.0, 14.5, 7.0e-4),
    Fluid(893.0, 145.0, 14.8, 6.9e-4),
    Fluid(878.0, 170.0, 25.0, 7.1e-4),
)


@dataclass(frozen=True)
class Shares:
    """How often, and by how much. Volumes in litres; ``sigma`` are standard deviations, relative."""

    instrument_fault: float = 1.0 / 3.0
    meter_drift: float = 0.28
    meter_slip: float = 0.08
    broken_tooth: float = 0.08
    air: float = 0.20
    container_wrong: float = 0.10
    pan: float = 0.20
    foam: float = 0.06
    drift: float = 0.08
    air_most_l: float = 0.30
    listing_sigma: float = 0.006
    listing_wrong: float = 0.02
    tilt_sigma: float = 0.003
    tilted: float = 0.02
    misread: float = 0.02
    looks: float = 0.6
    meter_sigma: float = 0.0015
    stopped_early: float = 0.15
    lays_level: float = 0.75
    hurried: float = 0.05
    ticks_unlaid: float = 0.4

    def ticked(self, off_level: bool) -> float:
        """How often it is said that the vehicle stands level. Our model, no source: three times in four somebody lays
        a spirit level, and of those that show a tilt one in twenty is read in a hurry. Of those who lay none, two in
        five tick it all the same, because it is asked for; they do so whatever the vehicle does."""
        reads = self.hurried if off_level else 1.0
        return self.lays_level * reads + (1.0 - self.lays_level) * self.ticks_unlaid


SHARES = Shares()


def scene_of(seed: int) -> Scene:
    """The job of one seed."""
    rng = random.Random(f"shop {seed}")
    volume_l = rng.uniform(1.8, 7.0)
    supply_c = rng.uniform(4.0, 38.0)
    air_c = supply_c + rng.uniform(-3.0, 3.0)
    old, fresh = rng.choice(FLUIDS), rng.choice(FLUIDS)
    scale = (volume_l / 2.9) ** (2.0 / 3.0)
    box = Compartment(
        volume_l=volume_l,
        expansion_per_k=rng.uniform(3.3e-5, 7.0e-5),
        walls_m2=rng.uniform(0.2, 0.6) * scale,
        wall_m=rng.uniform(0.08, 0.22),
        floors_m2=rng.uniform(0.005, 0.03) * scale,
        pool_l=rng.choice((0.0, 0.0, rng.uniform(0.005, 0.025))),
        dead_l=rng.uniform(0.005, 0.02) * volume_l,
        tilt=rng.gauss(0.0, SHARES.tilt_sigma),
        side_s=rng.uniform(1.0, 5.0),
    )
    listed_l = volume_l * (1.0 + rng.gauss(0.0, SHARES.listing_sigma))
    digit_l = rng.choice((0.05, 0.1))
    capacity = f"{round(listed_l / digit_l) * digit_l:.2f} L"
    if digit_l == 0.1:
        capacity = f"{round(listed_l, 1):.1f} L"
    tolerance_l = round(max(0.1, 0.04 * volume_l), 2)
    typed = Typed(
        capacity=capacity,
        method=rng.choice(("cover removed", "drain plug")),
        tolerance_l=tolerance_l,
        zero_count=rng.randrange(-200000, 200000),
        noise_counts=rng.choice((15.0, 25.0, 50.0)),
    )
    true_old, typed = _old_fluid(old, typed, rng)
    true_fresh, typed = _fresh_fluid(fresh, typed, rng)
    scene = Scene(
        seed=seed,
        box=box,
        old=true_old,
        fresh=true_fresh,
        old_share=rng.uniform(0.9, 1.0),
        arrives_c=max(air_c + 5.0, rng.uniform(25.0, 65.0)),
        air_c=air_c,
        supply_c=supply_c,
        warms=rng.uniform(0.0, 0.2),
        cooling_s=rng.uniform(900.0, 2400.0),
        stream_s=rng.uniform(25.0, 60.0) * scale,
        pressure_hpa=rng.uniform(930.0, 1030.0),
        humidity=rng.uniform(0.2, 0.8),
        empty_pan_kg=rng.uniform(0.9, 2.4),
        pan=PanErrors(slope=rng.gauss(0.0, 0.0005), s_shape_kg=rng.gauss(0.0, 0.0007)),
        meter=MeterErrors(factor=1.0 + rng.gauss(0.0, SHARES.meter_sigma), slip_mm2_s=rng.uniform(0.0, 1.0)),
        container=ContainerErrors(slope=rng.gauss(0.0, 0.0005), sigma_kg=rng.choice((0.003, 0.01))),
        pump=Pump(l_s=rng.uniform(0.04, 0.075)),
        people=_people(float(capacity.split()[0]), supply_c, true_fresh, rng),
        typed=typed,
    )
    if rng.random() < SHARES.tilted:
        tilt = rng.choice((-1, 1)) * rng.uniform(0.03, 0.07)
        scene = replace(scene, box=replace(box, tilt=tilt), faults=(*scene.faults, "not level"))
    if rng.random() < SHARES.listing_wrong:
        wrong = listed_l * (1.0 + rng.choice((-1, 1)) * rng.uniform(0.05, 0.15))
        scene = replace(
            scene, typed=replace(scene.typed, capacity=f"{wrong:.1f} L"), faults=(*scene.faults, "listing")
        )
    if rng.random() < SHARES.misread:
        people = replace(scene.people, looks=True, says_seen=True)
        scene = replace(scene, people=people, faults=(*scene.faults, "misread"))
    if rng.random() < SHARES.instrument_fault:
        scene = _with_fault(scene, rng)
    return replace(scene, people=replace(scene.people, ticks_level=ticks_level(scene)))


def ticks_level(scene: Scene) -> str:
    """When somebody says that the vehicle stands level, from a stream of its own: all else of a seed stays as it was."""
    rng = random.Random(f"stands level {scene.seed}")
    ticked = rng.random() < SHARES.ticked(scene.box.off_level)
    return rng.choices(("first", "curing", "settling"), (5, 3, 2))[0] if ticked else ""


def _people(listed_l: float, supply_c: float, fresh: Fluid, rng: random.Random) -> People:
    stops = rng.choices(("lip", "watch", "target"), (35, 20, 45))[0]
    target_l = (listed_l / fresh.per_20(supply_c)) * (1.0 - rng.uniform(0.012, 0.025))
    if stops == "lip":
        target_l *= rng.uniform(0.97, 0.995)
    elif stops == "target" and rng.random() < SHARES.stopped_early:
        target_l -= rng.uniform(0.1, 0.35)
    early = rng.random() < 0.08
    return People(
        drains_s=rng.uniform(110.0, 200.0) if early else rng.uniform(400.0, 900.0),
        late_s=rng.choice((2.0, 2.0, rng.uniform(5.0, 45.0))),
        waits_s=rng.uniform(150.0, 300.0),
        stops=stops,
        target_l=target_l,
        looks=rng.random() < SHARES.looks,
        weighs=rng.choices(("", "twice", "all the time"), (6, 2, 2))[0],
        reacts_s=rng.uniform(0.5, 2.0),
        settles_s=rng.uniform(100.0, 200.0),
        flush_kg=rng.uniform(0.05, 0.2) if rng.random() < 0.15 else 0.0,
    )


def _old_fluid(nominal: Fluid, typed: Typed, rng: random.Random) -> tuple[Fluid, Typed]:
    """Used fluid is off its sheet by 0.1 to 0.9 %: worn, or with water or solvent in it. Unless somebody measured it."""
    origin = rng.choice((None, "unknown", "grade", "measured"))
    off = rng.choice((-1, 1)) * rng.uniform(0.001, 0.009)
    true = replace(nominal, density_15_kg_m3=nominal.density_15_kg_m3 * (1.0 + off))
    if origin == "measured":
        known = replace(nominal, density_15_kg_m3=true.density_15_kg_m3 + rng.gauss(0.0, 0.6))
        return true, replace(typed, old=known, old_origin=origin, old_u_kg_m3=0.6)
    return true, replace(typed, old=nominal, old_origin=origin)


def _fresh_fluid(nominal: Fluid, typed: Typed, rng: random.Random) -> tuple[Fluid, Typed]:
    origin = rng.choice((None, "data sheet", "measured"))
    if origin == "measured":
        known = replace(nominal, density_15_kg_m3=nominal.density_15_kg_m3 + rng.gauss(0.0, 0.5))
        return nominal, replace(typed, fresh=known, fresh_origin=origin, fresh_u_kg_m3=0.5)
    known = replace(nominal, density_15_kg_m3=nominal.density_15_kg_m3 * (1.0 + rng.gauss(0.0, 0.001)))
    return nominal, replace(typed, fresh=known, fresh_origin=origin)


def _with_fault(scene: Scene, rng: random.Random) -> Scene:
    names = ("meter drift", "meter slip", "broken tooth", "air", "container", "pan", "foam")
    s = SHARES
    shares = (s.meter_drift, s.meter_slip, s.broken_tooth, s.air, s.container_wrong, s.pan, s.foam)
    name = rng.choices(names, shares)[0]
    named = replace(scene, faults=(*scene.faults, name))
    if name == "meter drift":
        factor = scene.meter.factor + rng.choice((-1, 1)) * rng.uniform(0.01, s.drift)
        return replace(named, meter=replace(scene.meter, factor=factor))
    if name == "meter slip":
        return replace(named, meter=replace(scene.meter, slip_mm2_s=rng.uniform(2.0, 5.0)))
    if name == "broken tooth":
        return replace(named, meter=replace(scene.meter, broken_tooth=rng.randrange(12, 40)))
    if name == "air":
        air_l, speed = rng.uniform(0.05, s.air_most_l), rng.uniform(1.05, 1.4)
        return replace(
            named, pump=replace(scene.pump, air_l=air_l, air_at=rng.uniform(0.05, 0.85), air_speed=speed)
        )
    if name == "container":
        people = replace(scene.people, weighs=scene.people.weighs or "twice")
        wrong_kg = rng.choice((-1, 1)) * rng.uniform(0.1, 0.5)
        return replace(named, people=people, container=replace(scene.container, wrong_kg=wrong_kg))
    if name == "foam":
        return replace(named, foam=rng.uniform(0.01, 0.05))
    return _with_pan_fault(named, rng)


def _with_pan_fault(scene: Scene, rng: random.Random) -> Scene:
    kind = rng.choice(("S-shaped cell", "warmed cell", "wander", "wild counts"))
    errors = {
        "S-shaped cell": replace(scene.pan, s_shape_kg=rng.choice((-1, 1)) * rng.uniform(0.002, 0.004)),
        "warmed cell": replace(scene.pan, warm_kg=rng.choice((-1, 1)) * rng.uniform(0.002, 0.004)),
        "wander": replace(scene.pan, walk_kg=0.002),
        "wild counts": replace(scene.pan, wild=0.002),
    }[kind]
    return replace(scene, pan=errors, faults=(*scene.faults[:-1], kind))


METER_FAULTS = frozenset({"meter drift", "meter slip", "broken tooth", "air"})
PAN_FAULTS = frozenset({"S-shaped cell", "warmed cell", "wander", "wild counts"})
INSTRUMENT_FAULTS = METER_FAULTS | PAN_FAULTS | {"container", "foam"}
