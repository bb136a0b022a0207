"""What should go in, from what a job's state knows: the drip that was measured, the temperature of the supply."""

import math

from station.core import second_pan
from station.core.state import BayState
from station.filling.expecting import Expecting, Film, expecting
from station.weighing import drip


def film_left(state: BayState) -> Film | None:
    """Old fluid that was still on the walls when the drained figure was taken, by the drip that was measured: what would
    have come into one pan, and into the other."""
    streamed = [
        seen for seen in second_pan.pans(state) if seen.drain.bulk_seen or not second_pan.fitted(state)
    ]
    each = [_left_kg(seen) for seen in streamed]
    left = [one for one in each if one is not None]
    if not left or len(left) < len(each):
        return None
    kg_per_l = state.spec.drained.density_kg_m3(state.spec.reference_temperature_c) / 1000.0
    return Film(sum(kg for kg, _ in left) / kg_per_l, math.hypot(*(u_kg for _, u_kg in left)) / kg_per_l)


def _left_kg(state: BayState) -> tuple[float, float] | None:
    taken = state.drain.taken
    return None if taken is None else drip.inside(state.drain.drip, taken.t_s, state.spec.pan.noise_kg)


def expected_now(state: BayState) -> Expecting:
    """What should go in, as far as is known at this moment."""
    before, taken = state.drain.before, state.drain.taken
    lasted_s = None if taken is None or before is None else taken.t_s - before.t_s
    return expecting(state.spec, film_left(state), lasted_s, state.meter.supply_c)
