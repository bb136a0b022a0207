"""What goes wrong in a workshop beside the instruments: a leak, a pan that is taken away, a container that is swapped,
two drains over one pan, a thermometer that hangs in something else, a hose that had run empty. Rows as in ``rows.py``."""

import random
from collections.abc import Callable
from dataclasses import replace

from tests.apart.playing import Truth
from tests.apart.rows import (
    Row,
    Told,
    all_of,
    base,
    drained,
    full,
    names,
    not_full,
)
from tests.apart.scene import People, Scene


def _leak(truth: Truth, told: Told) -> str:
    return "" if told["leak_found"] else f"no leak found: {told['leak_text']}"


def _no_leak(truth: Truth, told: Told) -> str:
    return f"a leak where nothing leaks: {told['leak_text']}" if told["leak_found"] else ""


def _leak_or_open(truth: Truth, told: Told) -> str:
    return "" if told["leak_found"] or told["leak_unsure"] else f"nothing of a leak: {told['leak_text']}"


def _full_or_open(truth: Truth, told: Told) -> str:
    if told["verdict"] in ("full", "undecided"):
        return ""
    return f"said {told['verdict']} (P {max(told['p_short'], told['p_over']):.3g}), {1000 * truth.below_lip_l:.0f} mL below the lip"


def _no_lip(truth: Truth, told: Told) -> str:
    lip = any(w["name"] == "lip" for w in told["witnesses"])
    return f"the lip speaks, where {truth.overflow_l} L ran over: {told['verdict_text']}" if lip else ""


def _drained_or_asked(truth: Truth, told: Told) -> str:
    asked = {"drained_unlike", "flush"} & {str(n["kind"]) for n in told["notices"]}
    return "" if asked else drained(truth, told)


def _lip(people: People, rng: random.Random) -> People:
    """Filled until the pan has weighed the first fluid over the lip."""
    return replace(people, stops="lip", target_l=people.target_l - rng.uniform(0.05, 0.09))


def joint_leaks(stops: str) -> Callable[[int], Scene]:
    """The cover was put back badly: a drop or a few a second fall into the pan, and the vehicle ends short."""

    def scene(seed: int) -> Scene:
        s, rng = base(seed, f"leak {stops}")
        box = replace(s.box, leak_l_s=rng.uniform(1.2e-3, 2.4e-3))
        people = replace(s.people, stops=stops, target_l=s.people.target_l - rng.uniform(0.14, 0.22))
        return replace(s, box=box, people=people, faults=("joint leaks",))

    return scene


def pan_emptied(seed: int) -> Scene:
    s, rng = base(seed, "pan emptied")
    return replace(s, people=replace(_lip(s.people, rng), pan_goes="emptied"), faults=("pan emptied",))


def pan_away(seed: int) -> Scene:
    """Nothing stands under the plug: what runs over goes onto the floor, and whoever fills watches for it."""
    s, rng = base(seed, "pan away")
    people = replace(s.people, pan_goes="away", stops="watch", reacts_s=rng.uniform(1.5, 4.0))
    return replace(s, people=people, faults=("pan away",))


def swapped(stops: str, than: str) -> Callable[[int], Scene]:
    """In mid-fill another container goes onto the scale. A lighter one comes late: the pump has drawn air by then."""

    def scene(seed: int) -> Scene:
        s, rng = base(seed, f"swapped {stops} {than}")
        heavier = than == "heavier"
        air_l, at = (0.0 if heavier else rng.uniform(0.2, 0.3)), rng.uniform(0.2, 0.7)
        people = s.people if stops == "target" else _lip(s.people, rng)
        people = replace(
            people,
            weighs="twice" if seed % 2 else "all the time",
            swaps_at=at + air_l / people.target_l,
            swap_kg=rng.uniform(4.0, 15.0) if heavier else -rng.uniform(1.0, 2.5),
        )
        pump = replace(s.pump, air_l=air_l, air_at=at, air_speed=rng.uniform(1.05, 1.35))
        return replace(s, pump=pump, people=people, drum_kg=7.0, faults=("container swapped",))

    return scene


def two_drains(seed: int) -> Scene:
    s, rng = base(seed, "two drains")
    other_l, at_s = rng.uniform(0.3, 1.2), rng.uniform(60.0, 240.0)
    return replace(s, other_l=other_l, other_at_s=at_s, people=_lip(s.people, rng), faults=("two drains",))


def probe_elsewhere(seed: int) -> Scene:
    """Supply at 5 or 35 °C; its thermometer hangs in the warm used oil, or in the cold."""
    s, rng = base(seed, "probe")
    c, shown_c = (5.0, rng.uniform(40.0, 48.0)) if seed % 2 else (35.0, rng.uniform(2.0, 8.0))
    people = replace(s.people, weighs="twice", over_limit_l=0.4)
    return replace(
        s, supply_c=c, air_c=c, arrives_c=c + 20.0, probe_c=shown_c, people=people, faults=("probe",)
    )


def drying_ends(says_seen: bool) -> Callable[[int], Scene]:
    """Solvent dries in the pan, but hardly so while a gate is shut during the fill; that ends short, and nothing runs over."""

    def scene(seed: int) -> Scene:
        s, rng = base(seed, f"drying ends {says_seen}")
        people = replace(
            s.people,
            flush_kg=rng.uniform(0.15, 0.2),
            waits_s=rng.uniform(200.0, 300.0),
            settles_s=rng.uniform(150.0, 250.0),
            target_l=s.people.target_l - rng.uniform(0.16, 0.25),
            looks=says_seen,
            says_seen=says_seen,
        )
        return replace(s, dries_on=rng.uniform(0.0, 0.15), people=people, faults=("drying ends",))

    return scene


def drying_stops(at: str) -> Callable[[int], Scene]:
    """Solvent that dries in the pan hardly does so any more, from the fill's start on or from when the plug is in: somebody
    shuts a gate and leaves it shut. Nothing leaks."""

    def scene(seed: int) -> Scene:
        s, rng = base(seed, f"drying stops {at}")
        people = replace(s.people, flush_kg=rng.uniform(0.15, 0.2), waits_s=rng.uniform(200.0, 300.0))
        left = rng.uniform(0.0, 0.15)
        s = replace(s, dries_on=left if at == "fill" else 1.0, dries_after=left)
        return replace(s, people=people, faults=("drying ends",))

    return scene


def plug_leaks(of_drying: tuple[float, float]) -> Callable[[int], Scene]:
    """Fluid comes past the plug into a pan in which solvent dries on: so many times as fast as that."""

    def scene(seed: int) -> Scene:
        s, rng = base(seed, f"plug leaks {of_drying}")
        flush_kg, waits_s = rng.uniform(0.15, 0.2), rng.uniform(200.0, 300.0)
        dries_l_s = flush_kg / 2500.0 / 0.87
        box = replace(s.box, plug_l_s=rng.uniform(*of_drying) * dries_l_s)
        people = replace(s.people, flush_kg=flush_kg, waits_s=waits_s)
        return replace(s, box=box, people=people, faults=("plug leaks",))

    return scene


def hose_empty(weighs: str) -> Callable[[int], Scene]:
    """Meter and container stand before the hose, and agree: what stayed in it went through both."""

    def scene(seed: int) -> Scene:
        s, rng = base(seed, f"hose {weighs}")
        pump = replace(s.pump, hose_l=rng.uniform(0.25, 0.35))
        return replace(s, pump=pump, people=replace(s.people, weighs=weighs), faults=("hose empty",))

    return scene


MISHAPS = (
    Row("joint leaks, to a target 0.2 L short", joint_leaks("target"), all_of(not_full, _leak)),
    Row("joint leaks, which ends the lip proof", joint_leaks("lip"), all_of(not_full, _leak)),
    Row("pan emptied before the fill, to the lip", pan_emptied, all_of(full, drained)),
    Row("pan not put back, ran over onto the floor", pan_away, _full_or_open),
    Row("container ran empty, swapped for a lighter one", swapped("target", "lighter"), not_full),
    Row(
        "container swapped for a heavier one, to the target",
        swapped("target", "heavier"),
        _full_or_open,
    ),
    Row(
        "container swapped for a heavier one, to the lip",
        swapped("lip", "heavier"),
        all_of(full, names("container")),
    ),
    Row("solvent dries less while it is filled", drying_ends(False), all_of(not_full, _no_lip)),
    Row("the same, ticked without a look", drying_ends(True), all_of(not_full, _no_lip)),
    Row("drying ends for good while it is filled", drying_stops("fill"), _no_leak),
    Row("drying ends for good when the plug is in", drying_stops("plug"), _no_leak),
    Row("the plug leaks faster than the pan dries", plug_leaks((1.3, 2.0)), _leak),
    Row("the plug leaks slower than the pan dries", plug_leaks((0.2, 0.6)), _leak_or_open),
    Row("two compartments into one pan, to the lip", two_drains, all_of(full, _drained_or_asked)),
    Row("thermometer hangs elsewhere, container weighed", probe_elsewhere, _full_or_open),
    Row("hose had run empty, level not seen", hose_empty(""), not_full),
    Row("hose had run empty, container weighed", hose_empty("twice"), not_full),
)
