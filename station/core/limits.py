"""Beyond which the core stops the pump, or warns: each with its unit and its reason."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Limits:
    """What ``station.core.interlocks`` compares with. An assumption has no source, and is there to be measured."""

    flow_low: float = 0.6
    """Of what the pump can do at this viscosity. Thermometer, viscosity data and wear lie well within. Assumption."""
    flow_high: float = 1.35
    """Of what the pump can do at this viscosity: a displacement pump cannot give more fluid, only air. Assumption."""
    flow_out_s: float = 1.0
    """s. A flow out of range has to last: one block of pulses may be off by chance."""
    meter_silent_s: float = 0.45
    """s. Four of the meter's own intervals at 10 readings a second, and a little."""
    late_pulses: float = 6.0
    """So many pulses overdue is no scatter of the meter's rhythm."""
    no_flow_least_s: float = 0.7
    """s. Below this a polled meter's jitter would stop a sound pump. Assumption."""
    started_s: float = 1.0
    """s of counted flow after which the pump counts as started. Assumption."""
    leap: float = 5.0
    """Times what the pump can move between two counts: no fluid comes so fast."""
    leap_l: float = 0.05
    """L allowed beyond that, for a count that was held up on its way."""
    apart_s: float = 1.0
    """s for which two pulse trains have to differ: they are polled at different moments."""
    over_l: float = 0.05
    """L over the target at least before it is called over: more than any overrun that is learned."""
    over_rel: float = 0.01
    """Of the target: within any tolerance that a job states. Assumption."""
    pan_gone_kg: float = 0.25
    """kg below the empty pan: more than a tool taken off, less than any drain pan. Assumption."""
    stays_on_s: float = 0.4
    """s from the stop command to the relay read as off: relay and poll need less than 0.1 s. Assumption."""
    stray_l: float = 0.015
    """L with the pump off. With what passes until the next look this is told before 20 mL have run."""
    stray_settles_s: float = 1.5
    """s after a stop in which the line still empties itself."""
    stray_first_l: float = 0.06
    """L that may come in that time, where the learned overrun is less. Assumption."""
    timing_s: float = 2.0
    """s for which a converter may be read too late: its driver mends that within half a second, or nothing does."""
    jump_c: float = 8.0
    """°C from one reading of the supply to the next: fluid in a container cannot change so fast."""
    pan_nearly: float = 0.85
    """Of the pan's room, so that there is time to fetch a second vessel. Common practice, no source."""
    over_blocks: int = 4
    """Newest readings whose least is believed: no kick's."""
    rising_kg: float = 0.003
    """kg that unjudged readings have to rise by; less lies still, like something laid in."""


LIMITS = Limits()
