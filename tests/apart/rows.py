"""Kinds of trouble that a verdict once fell for: four recordings of each, and how each must end.

Every row names what was wrong in the bay; ``ends`` says what is wrong with what the station said, or nothing.
"""

import random
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from tests.apart.housing import Compartment
from tests.apart.instruments import ContainerErrors, MeterErrors, PanErrors
from tests.apart.playing import Truth
from tests.apart.scene import People, Scene

Told = dict[str, Any]
Ends = Callable[[Truth, Told], str]
FOUR = range(1, 5)


@dataclass(frozen=True)
class Row:
    name: str
    scene: Callable[[int], Scene]
    ends: Ends


def base(seed: int, row: str) -> tuple[Scene, random.Random]:
    """A sound bay and a full-to-the-lip vehicle of about 2.9 L, whose listing is right to its last digit; it stands level,
    and somebody laid a spirit level on it."""
    rng = random.Random(f"row {row} {seed}")
    box = Compartment(volume_l=rng.uniform(2.88, 2.93), side_s=2.0, pool_l=0.0)
    people = People(drains_s=rng.uniform(600.0, 800.0), target_l=2.86, ticks_level="first")
    return Scene(seed=1000 + seed, box=box, people=people), rng


def not_full(truth: Truth, told: Told) -> str:
    return f"said full, {1000 * truth.below_lip_l:.0f} mL below the lip" if told["verdict"] == "full" else ""


def full(truth: Truth, told: Told) -> str:
    return (
        ""
        if told["verdict"] == "full"
        else f"said {told['verdict']} (P short {told['p_short']:.3g}, over {told['p_over']:.3g}), full to the lip"
    )


def drained(truth: Truth, told: Told) -> str:
    off_l, u95_l = told["drained_l"] - truth.drained_l, told["drained_u95_l"]
    return (
        ""
        if abs(off_l) <= u95_l
        else f"drained {1000 * off_l:+.1f} mL off, U95 {1000 * u95_l:.1f} mL; notices {_kinds(told)}"
    )


def _kinds(told: Told) -> list[str]:
    return sorted({str(n["kind"]) for n in told["notices"]})


def _not_short(truth: Truth, told: Told) -> str:
    return "said short, full to the lip" if told["verdict"] == "short" else ""


def _over_or_undecided(truth: Truth, told: Told) -> str:
    return "" if told["verdict"] in ("over", "undecided") else f"said {told['verdict']}"


def names(*words: str) -> Ends:
    """A notice that speaks of one of these words."""

    def ends(truth: Truth, told: Told) -> str:
        spoken = " ".join(str(n["text"]).lower() for n in told["notices"])
        return "" if any(w in spoken for w in words) else f"no notice of {' or '.join(words)}: {_kinds(told)}"

    return ends


def _says(*words: str) -> Ends:
    """A verdict whose sentence has all of these words."""

    def ends(truth: Truth, told: Told) -> str:
        text = str(told.get("verdict_text", "")).lower()
        missing = [w for w in words if w not in text]
        return f"the verdict says nothing of {', '.join(missing)}: {text!r}" if missing else ""

    return ends


def all_of(*ends: Ends) -> Ends:
    return lambda truth, told: "; ".join(filter(None, (e(truth, told) for e in ends)))


def counts_too_much(seed: int) -> Scene:
    s, rng = base(seed, "counts too much")
    factor = 1.0 + rng.uniform(0.045, 0.065)
    return replace(s, meter=MeterErrors(factor=factor), faults=("meter drift",))


def counts_too_little(seed: int) -> Scene:
    s, rng = base(seed, "counts too little")
    factor = 1.0 - rng.uniform(0.035, 0.05)
    people = replace(s.people, target_l=s.people.target_l + rng.uniform(0.0, 0.05), over_limit_l=0.4)
    return replace(s, meter=MeterErrors(factor=factor), people=people, faults=("meter drift",))


def nobody_checked(seed: int) -> Scene:
    """The same, and nobody laid a spirit level on the housing: it could be the vehicle as well as the meter."""
    s = counts_too_little(seed)
    return replace(s, people=replace(s.people, ticks_level=""))


def air_unseen(seed: int) -> Scene:
    s, rng = base(seed, "air")
    pump = replace(
        s.pump, air_l=rng.uniform(0.2, 0.3), air_at=rng.uniform(0.1, 0.8), air_speed=rng.uniform(1.05, 1.35)
    )
    return replace(s, pump=pump, faults=("air",))


def drain_ended_early(seed: int) -> Scene:
    s, rng = base(seed, "early drain")
    box = replace(s.box, walls_m2=rng.uniform(1.1, 1.4), floors_m2=0.09, pool_l=0.05)
    people = replace(s.people, drains_s=120.0, stops="watch", target_l=3.0, over_limit_l=0.2)
    return replace(s, box=box, people=people, stream_s=35.0, faults=("drain ended early",))


def density_off(origin: str | None) -> Callable[[int], Scene]:
    def scene(seed: int) -> Scene:
        s, rng = base(seed, "density")
        off = rng.choice((-1, 1)) * rng.uniform(0.0045, 0.0055)
        true = replace(s.old, density_15_kg_m3=s.old.density_15_kg_m3 * (1.0 + off))
        return replace(s, old=true, typed=replace(s.typed, old=s.old, old_origin=origin), faults=("density",))

    return scene


def pan_warmed(seed: int) -> Scene:
    s, rng = base(seed, "warmed")
    return replace(s, pan=PanErrors(warm_kg=rng.choice((-1, 1)) * 0.0035), faults=("pan warmed",))


def s_shaped(seed: int) -> Scene:
    s, rng = base(seed, "S")
    return replace(s, pan=PanErrors(s_shape_kg=rng.choice((-1, 1)) * 0.004), faults=("S-shaped cell",))


def at_temperature(seed: int) -> Scene:
    s, rng = base(seed, "temperature")
    volume_l = rng.uniform(6.5, 9.0)
    fill_c = 35.0 if seed % 2 else 4.0
    box = Compartment(volume_l=volume_l, walls_m2=0.45, side_s=2.0, pool_l=0.0)
    people = replace(s.people, stops="watch", target_l=volume_l, over_limit_l=0.3)
    typed = replace(s.typed, capacity=f"{volume_l:.2f} L")
    return replace(
        s, box=box, people=people, typed=typed, supply_c=fill_c, air_c=fill_c, warms=0.05, stream_s=90.0
    )


def wrong_unit(capacity: str) -> Callable[[int], Scene]:
    def scene(seed: int) -> Scene:
        s, _ = base(seed, f"unit {capacity}")
        people = replace(s.people, stops="watch", target_l=2.86)
        return replace(s, people=people, typed=replace(s.typed, capacity=capacity), faults=("unit",))

    return scene


def contradiction(seed: int) -> Scene:
    s, rng = base(seed, "contradiction")
    more = 1.0 + rng.uniform(0.07, 0.14)
    if seed % 2:  # the vehicle stands so that the lip is higher than it should be
        box, meter = replace(s.box, tilt=more - 1.0), s.meter
        target_l = box.volume_l * more - 0.065
    else:  # the meter counts what was not there
        box, meter = s.box, MeterErrors(factor=more)
        target_l = (box.volume_l - 0.065) * more
    people = replace(s.people, target_l=target_l, looks=True, eye_l=0.03, ticks_level="")
    return replace(s, box=box, meter=meter, people=people, faults=("contradiction",))


def right_container(seed: int) -> Scene:
    """The meter is off, and the container's weighings say so: nothing was seen and nothing ran over."""
    s = counts_too_much(seed)
    container = ContainerErrors(sigma_kg=0.005)
    return replace(s, container=container, people=replace(s.people, weighs="twice"), faults=("meter drift",))


def wrong_container(seed: int) -> Scene:
    """Fluid stands at the lip; somebody's hand lay on the scale at the second weighing."""
    s, rng = base(seed, "wrong container")
    wrong_kg = rng.choice((-1, 1)) * rng.uniform(0.2, 0.4)
    people = replace(s.people, weighs="twice", stops="lip", looks=True)
    return replace(s, container=ContainerErrors(wrong_kg=wrong_kg), people=people, faults=("container",))


WRONG_UNIT = all_of(full, _says("capacity", "unit"), names("unit", "capacity", "listed"))

ROWS = (
    Row("meter counts too much, level not seen", counts_too_much, not_full),
    Row(
        "meter counts too little, ran over the lip", counts_too_little, all_of(full, _says("meter", "prove"))
    ),
    Row(
        "meter counts too little, nobody checked the stand",
        nobody_checked,
        all_of(_not_short, _says("meter", "prove", "spirit level")),
    ),
    Row("air through the pump, level not seen", air_unseen, not_full),
    Row("drain ended after 2 min, filled until it ran over", drain_ended_early, full),
    Row("used density off by 0.5 %, origin unknown", density_off("unknown"), drained),
    Row("used density off by 0.5 %, no origin given", density_off(None), drained),
    Row("pan warmed by the oil, 3.5 g", pan_warmed, drained),
    Row("cell with an S-shaped error of 4 g", s_shaped, drained),
    Row("filled at 35 or 4 °C to the lip", at_temperature, full),
    Row("9999 L typed for 2.9 L, fluid over the lip", wrong_unit("9999 L"), WRONG_UNIT),
    Row("2.9 US gallons typed for 2.9 L, fluid over the lip", wrong_unit("2.9 US gal"), WRONG_UNIT),
    Row(
        "level seen, meter 7 to 14 % above the expected fill",
        contradiction,
        all_of(_over_or_undecided, _says("listing", "stand", "meter")),
    ),
    Row("meter counts too much, container weighed", right_container, not_full),
    Row("container weighed wrong, ran over the lip", wrong_container, full),
)
