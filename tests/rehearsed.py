"""Rehearsals for tests that need a whole job and not a long one: a wide outlet, little patience, a short cure."""

from dataclasses import replace
from functools import cache

from station.rehearsing.rehearse import Rehearsal, rehearse
from station.rehearsing.scenario import Technician, read_scenario


@cache
def short_job(seed: int) -> Rehearsal:
    """The shipped scenario at a third of its length, played once in a process."""
    scenario = read_scenario(None)
    plant = replace(scenario.plant, outlet_m2=8.0e-5)
    technician = Technician(patience_s=300.0, cure_s=60.0)
    return rehearse(replace(scenario, plant=plant, technician=technician), seed)
