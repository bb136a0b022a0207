"""By what the meter's stream is judged, and what is expected of a fill: each number with its unit and its reason.

An assumption has no source and is there to be measured.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType


@dataclass(frozen=True)
class Limits:
    """What ``station.filling`` compares with. ``station.core.limits`` says when the pump is stopped."""

    # metering
    flow_s: float = 1.0
    """s that a flow is taken over: ten polls of the meter, and less than a pump needs to change its speed. Assumption."""
    trains_may_differ: int = 4
    """Pulses. Two trains are polled at different moments: some pulses between them are no fault. Assumption."""
    trains_may_differ_rel: float = 0.02
    """Of the pulses counted, for the same in a long fill: neither train is to miss one in fifty. Assumption."""

    # air
    air_block_s: float = 0.5
    """s of pump at least that a flow is judged by: several polls. Assumption."""
    air_block_pulses: int = 12
    """Pulses at least, for the same: one more or less is 8 %, a third of what ``burst`` asks for."""
    air_block_longest_s: float = 4.0
    """s after which fewer pulses have to do: a slow pump, or thick fluid. Assumption."""
    steady_blocks: int = 4
    """Blocks before a flow is called steady: two seconds after the start. Assumption."""
    burst: float = 1.3
    """A block this many times the steady flow is no scatter: a pulse more or less in twelve is 8 %, a poll's jitter 5 %."""
    starting_s: float = 1.2
    """s. A pump that starts is not steady yet. Assumption."""
    regime_s: float = 3.0
    """s. A burst that lasts longer is a new flow; above what the pump can do it is air all the same. Assumption."""
    beyond_pump: float = 1.35
    """Of what the pump can do at this viscosity: a displacement pump cannot give more fluid, only air. Assumption."""
    air_share: float = 2.0
    """Air passes some s times as fast as fluid, so an excess e in pulses means e·s/(s − 1) of air. For s from 1.5 to 3,
    s/(s − 1) is 3 to 1.5. Assumption: no source, to be measured on a real pump."""
    u_air_share_rel: float = 0.3
    """Its relative standard uncertainty: a rectangle over that range has 0.22, and nobody has measured it. Assumption."""

    # overrun
    prior_s: float = 0.35
    """s of flow that still pass after a stop, before a bay has learned its own: relay, motor and hose. Assumption."""
    u_prior_s: float = 0.15
    """s. Standard uncertainty of that: 0.05 to 0.65 s at 95 %. Assumption."""
    u_slope_s: float = 0.08
    """s a decade of viscosity: by so much the overrun may depend on it. Assumption."""
    wear_s: float = 0.004
    """s that the line's middle may wander from one stop to the next: 0.04 s in a hundred stops. Assumption."""
    wear_slope_s: float = 0.002
    """s a decade that its slope may wander from one stop to the next. Assumption."""
    u_lag_s: float = 0.02
    """s. Jitter of a relay and a motor from stop to stop. Assumption; bench_pump prints what the simulated one has."""
    u_stop_l: float = 0.0015
    """L. Of one observed overrun: a pulse of 2.5 mL at either end, rectangular."""
    overrun_longest_s: float = 2.0
    """s. No overrun is forecast longer: a line still draining after that is a siphon, and no lag. Assumption."""
    overrun_share_most: float = 0.10
    """Of the target. Never forecast more than this, whatever was learned: a fill stopped so early is seen and topped up."""
    overrun_clip: float = 3.0
    """Standard deviations: one odd stop moves the line by no more than a likely one. Common practice, no source."""

    # hose and drum
    crumb_l: float = 0.005
    """L. Less of another fluid than this is not worth a purge: a hose's wall holds as much."""
    purge_volumes: float = 1.5
    """A purge asks for so much of what has to come out: the pump stops some millilitres early or late, and oil in a hose
    does not move as a plug (``station.filling.hose.clinging_l``)."""
    spare_l: float = 0.25
    """L. What a suction tube does not reach, and what a job may need beyond its target. Common practice, no source."""
    u_drum_rel: float = 0.005
    """Of what was drawn from a drum: no single proving, but a meter over months and fluids. Assumption."""

    # what should go in
    film_rel: Mapping[str, float] = field(
        default_factory=lambda: MappingProxyType(
            {"cover removed": 0.004, "drain plug": 0.005, "suction": 0.005}
        )
    )
    """By method. Of the capacity: film on the walls after a drain of the usual length, contained in what a method retains
    (``station.given.job.RETAINED_BY_METHOD``). Common practice, no source."""
    u_film_rel: float = 0.5
    """Of the usual film: its standard uncertainty. Common practice, no source."""
    u_film_unseen_rel: float = 0.05
    """Of the capacity: standard uncertainty of the film where no drip could be measured and the drain was ended after
    ``film_unseen_s`` or less: it may still have been running. After a longer drain it falls as a film does, with the root
    of the time. Common practice, no source."""
    film_unseen_s: float = 120.0
    """s, for the same: two minutes after opening an axle still runs. Common practice, no source."""
    u_fill_c: float = 4.0
    """°C. The fluid in the housing takes on some of the housing's temperature, which nobody reads. Assumption."""
    u_fill_unread_c: float = 8.0
    """°C, without a thermometer in the supply: a workshop between 5 and 35 °C, rectangular, is 8.7. Assumption."""


LIMITS = Limits()
