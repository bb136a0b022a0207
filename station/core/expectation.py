"""What should go in, from what a job's state knows: the drip that was measured, the temperature of the supply."""

from station.core.state import BayState
from station.filling.expecting import Expecting, Film, expecting
from station.weighing import drip


def film_left(state: BayState) -> Film | None:
    """Old fluid that was still on the walls when the drained figure was taken, by the measured drip."""
    taken, spec = state.drain.taken, state.spec
    if taken is None:
        return None
    left = drip.inside(state.drain.drip, taken.t_s, spec.pan.noise_kg)
    if left is None:
        return None
    kg_per_l = spec.drained.density_kg_m3(spec.reference_temperature_c) / 1000.0
    return Film(left[0] / kg_per_l, left[1] / kg_per_l)


def expected_now(state: BayState) -> Expecting:
    """What should go in, as far as is known at this moment."""
    before, taken = state.drain.before, state.drain.taken
    lasted_s = None if taken is None or before is None else taken.t_s - before.t_s
    return expecting(state.spec, film_left(state), lasted_s, state.meter.supply_c)
