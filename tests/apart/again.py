"""A vehicle that comes again, and what the shop learned of it from fills that an eye alone had passed.

Its capacity may be listed in another unit than it is (pints for quarts, litres for US quarts …); whoever fills it stops at
what the listing says and may tick the level as seen without a look. Three visits, each beginning with what the one before
left in it.
"""

import random
from dataclasses import dataclass, replace

from tests.apart.instruments import MeterErrors
from tests.apart.playing import Played
from tests.apart.scene import People, Scene
from tests.apart.shops import scene_of, ticks_level

VISITS = 3
UNITS_L = {
    "L": 1.0,
    "US pt": 0.473176473,
    "US qt": 0.946352946,
    "US gal": 3.785411784,
    "imperial pt": 0.56826125,
    "imperial qt": 1.1365225,
    "imperial gal": 4.54609,
}
"""NIST Handbook 44, appendix C."""
LEAST = 0.4
"""Of the true volume, listed: what is further off is seen at once. Where too much is listed the lip stops the fill."""
KINDS = ("wrong unit, ticked", "wrong unit, honest", "right, ticked", "right, honest")


@dataclass(frozen=True)
class Visit:
    """manner: how this one was filled; the first of a ticked kind always by a tick without a look."""

    manner: str
    scene: Scene


MANNERS = ("ticks", "does not look", "looks", "to the lip")


def listed(volume_l: float, wrong: bool, rng: random.Random) -> str:
    """What stands in the list: the volume in one unit, or its number with another unit behind it."""
    pairs = [(a, b) for a in UNITS_L for b in UNITS_L if LEAST < UNITS_L[b] / UNITS_L[a] < 1.0]
    unit, other = rng.choice(pairs)
    number = volume_l * (1.0 + rng.gauss(0.0, 0.004)) / UNITS_L[unit]
    digits = 2 if number < 3.0 else 1
    return f"{number:.{digits}f} {other if wrong else unit}"


def litres(capacity: str) -> float:
    number, unit = capacity.split(" ", 1)
    return float(number) * UNITS_L[unit]


def first(seed: int, kind: str) -> Visit:
    """The first visit of a seed: a vehicle of the shop, its instruments sound or not as the shop's are."""
    rng = random.Random(f"again {seed}")
    s = scene_of(seed)
    right = replace(s.box, tilt=0.0 if "not level" in s.faults else s.box.tilt)
    capacity = listed(right.volume_l, kind.startswith("wrong"), rng)
    faults = tuple(f for f in s.faults if f not in ("not level", "listing", "misread"))
    s = replace(s, box=right, typed=replace(s.typed, capacity=capacity), faults=faults)
    manner = "ticks" if kind.endswith("ticked") else "looks"
    return Visit(manner, _by(s, manner, litres(capacity) * 0.985, rng))


def again(seed: int, nth: int, before: Played, expected_l: float) -> Visit:
    """The next visit of the same vehicle to the same bay: somewhat less in it than was left, filled to what is expected now."""
    rng = random.Random(f"again {seed} {nth}")
    s, other = before.scene, scene_of(seed + 100_000 * nth)
    inside = 1.0 - before.truth.below_lip_l / s.box.volume_l
    meter: MeterErrors = s.meter
    s = replace(
        s,
        seed=seed + 100_000 * nth,
        old_share=inside * rng.uniform(0.98, 1.0),
        arrives_c=s.air_c + (other.arrives_c - other.air_c),
        meter=meter,
        pump=replace(s.pump, air_l=0.0),
        people=replace(other.people, waits_s=s.people.waits_s),
    )
    manner = rng.choices(MANNERS, (4, 3, 2, 1))[0]
    return Visit(manner, _by(s, manner, expected_l, rng))


def _by(s: Scene, manner: str, expected_l: float, rng: random.Random) -> Scene:
    stops = "lip" if manner == "to the lip" else "target"
    target_l = expected_l / s.fresh.per_20(s.supply_c) * (0.97 if stops == "lip" else 1.0)
    people: People = replace(
        s.people,
        stops=stops,
        target_l=target_l,
        looks=manner in ("ticks", "looks"),
        says_seen=manner == "ticks",
        drains_s=max(400.0, s.people.drains_s),
    )
    s = replace(s, people=people)
    return replace(s, people=replace(people, ticks_level=ticks_level(s)))
