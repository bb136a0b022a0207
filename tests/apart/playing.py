"""Plays a scene: a JOB.toml and a recording in the public format, and the truth beside them."""

import math
from dataclasses import dataclass

from tests.apart.bay import Bay
from tests.apart.housing import Filling
from tests.apart.paper import job_toml
from tests.apart.scene import Scene


@dataclass(frozen=True)
class Truth:
    """What is so. Litres at 20 °C but for below_lip_l, which has the fill's temperature.

    below_lip_l: what is missing up to the lip on a level vehicle when the plug goes in; below zero what is above it.
    """

    below_lip_l: float
    verdict: str
    drained_l: float
    filled_l: float
    overflow_l: float
    retained_l: float
    counted_l: float
    """What the meter's pulses come to by the typed K-factor."""
    air_l: float
    container_l: float | None
    """What the container's weighings come to by the typed density, at 20 °C."""
    level_seen: bool
    lip_reached: bool
    """Whether 10 mL or more ran over the lip into the pan."""
    stands: str
    """How the vehicle stands, and whether somebody ticked that it stands level: "off level and ticked" …"""


@dataclass(frozen=True)
class Played:
    scene: Scene
    job_toml: str
    recording_csv: str
    truth: Truth


def play(scene: Scene) -> Played:
    """The whole job of one scene."""
    s, p = scene, scene.people
    bay = Bay(s)
    bay.rec.put(0.0, "pump", 0)
    bay.ticks_level("first")
    bay.wait(5.0)
    bay.pan_kg = s.empty_pan_kg
    bay.wait(4.0)
    bay.mark("pan_placed")
    bay.wait(15.0)
    bay.mark("drain_open")
    retained_l = bay.drain()
    drained_l = bay.old_kg / s.old.density_kg_m3(20.0) * 1000.0
    bay.mark("drain_done")
    bay.wait(20.0)
    if p.flush_kg:
        bay.mark("flush")
        bay.solvent_kg += p.flush_kg
        bay.wait(30.0)
    bay.mark("reseal_done")
    bay.ticks_level("curing")
    bay.wait(p.waits_s)
    if p.pan_goes:
        bay.pan_goes()
        bay.wait(40.0)
    housing_c = s.supply_c + s.warms * (s.arrives_c - s.supply_c) * math.exp(
        -(p.drains_s + p.waits_s) / s.cooling_s
    )
    filling = Filling(s.box, retained_l * s.old.per_20(housing_c), housing_c, s.foam)
    if p.weighs == "twice":
        bay.weigh()
    bay.dries = s.dries_on
    bay.mark("fill_start")
    bay.wait(2.0)
    bay.fill(filling)
    bay.ticks_level("settling")
    bay.run_over(filling, p.settles_s)
    if p.weighs == "twice":
        bay.weigh()
    seen = p.looks and (p.says_seen or filling.below_lip_l <= p.eye_l)
    if seen:
        bay.mark("level_seen")
        bay.wait(3.0)
    bay.mark("fill_done")
    bay.wait(5.0)
    filling.plugged, bay.dries = True, s.dries_after
    bay.mark("plug_in")
    below_l = s.box.level_l(housing_c) - filling.old_l - filling.fresh_l
    filled_l = bay.inside_l()
    bay.run_over(filling, p.watches_s)
    bay.mark("close")
    tolerance_l = s.typed.tolerance_l
    weighed = bay.weighed_kg
    typed_fresh = s.typed.fresh or s.fresh
    truth = Truth(
        below_lip_l=below_l,
        verdict="short" if below_l > tolerance_l else "over" if below_l < -tolerance_l else "full",
        drained_l=drained_l,
        filled_l=filled_l,
        overflow_l=bay.over_l(),
        retained_l=retained_l,
        counted_l=bay.counted_l(),
        air_l=bay.air_passed_l,
        container_l=(weighed[0] - weighed[-1]) * 1.0012 / typed_fresh.density_kg_m3(20.0) * 1000.0
        if weighed
        else None,
        level_seen=seen,
        lip_reached=bay.over_l() >= 0.010,
        stands=f"{'off level' if s.box.off_level else 'level'} and {'ticked' if p.ticks_level else 'not ticked'}",
    )
    return Played(s, job_toml(s), bay.rec.text(), truth)
