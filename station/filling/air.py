"""Air in the line: found in the meter's own rhythm, estimated with its doubt, and taken out.

A displacement meter turns for air as it does for fluid, only faster, since the pump has nothing to push against. A
burst of pulses between two stretches of steady flow is therefore taken for air. A flow that changes and stays changed
is not: the pump went to its other speed, or the fluid got warmer. Only what a recording holds goes in here (meter, pump
and supply temperature through the pump's line in JOB.toml), so that a replay gives the same figures.
"""

from dataclasses import dataclass

from station.common.evolve import evolve
from station.filling.limits import LIMITS


@dataclass(frozen=True)
class AirWatch:
    """air_l and u_l: air counted as fluid so far and its standard uncertainty, litres at the supply's temperature.

    flow_l_min: of the newest whole block; block: its number, 0 before the first. steady_l_min: what the flow is when it
    is steady. on_t_s: since when the pump runs; None while it does not.
    """

    air_l: float = 0.0
    u_l: float = 0.0
    flow_l_min: float = 0.0
    block: int = 0
    block_t_s: float = 0.0
    block_s: float = 0.0
    steady_l_min: float = 0.0
    steady_n: int = 0
    on_t_s: float | None = None
    from_t_s: float = 0.0
    from_l: float = 0.0
    pulses: int = 0
    through_l: float = 0.0
    before_l: float = 0.0
    burst_l: float = 0.0
    burst_volume_l: float = 0.0
    burst_t_s: float | None = None


def switch(watch: AirWatch, t_s: float, on: bool) -> AirWatch:
    """The pump's relay, as recorded. A burst that the stop cuts off counts as air with all of it as doubt."""
    if on == (watch.on_t_s is not None):
        return watch
    watch = _settle(watch, 1.0) if watch.burst_t_s is not None and not on else watch
    return evolve(watch, on_t_s=t_s if on else None, from_t_s=t_s, from_l=watch.through_l, pulses=0)


def add(watch: AirWatch, t_s: float, new: int, volume_l: float, pump_l_min: float | None) -> AirWatch:
    """Take in new pulses, worth volume_l. pump_l_min: what the pump can do at this viscosity; None if not known."""
    through_l, pulses = watch.through_l + volume_l, watch.pulses + new
    if watch.on_t_s is None:
        return evolve(watch, through_l=through_l)
    dt_s = t_s - watch.from_t_s
    started_s = watch.on_t_s + LIMITS.starting_s
    if (
        watch.from_t_s < started_s <= t_s
        and through_l - watch.from_l < LIMITS.burst * watch.steady_l_min / 60.0 * dt_s
    ):
        return evolve(
            watch, through_l=through_l, from_t_s=t_s, from_l=through_l, pulses=0
        )  # the ramp is no block
    if dt_s < LIMITS.air_block_s or (pulses < LIMITS.air_block_pulses and dt_s < LIMITS.air_block_longest_s):
        return evolve(watch, through_l=through_l, pulses=pulses)
    moved_l = through_l - watch.from_l
    watch = evolve(
        watch,
        through_l=through_l,
        flow_l_min=moved_l / dt_s * 60.0,
        block=watch.block + 1,
        block_t_s=t_s,
        block_s=dt_s,
        from_t_s=t_s,
        from_l=through_l,
        pulses=0,
    )
    return _block(watch, moved_l, pulses, pump_l_min)


def _excess_l(watch: AirWatch, moved_l: float, steady_l_min: float) -> float:
    return max(0.0, moved_l - steady_l_min / 60.0 * watch.block_s)


def _block(watch: AirWatch, moved_l: float, pulses: int, pump_l_min: float | None) -> AirWatch:
    flow, steady = watch.flow_l_min, watch.steady_l_min
    starting = watch.on_t_s is not None and watch.block_t_s - watch.block_s - watch.on_t_s < LIMITS.starting_s
    beyond = pump_l_min is not None and flow > LIMITS.beyond_pump * pump_l_min
    if watch.steady_n < LIMITS.steady_blocks or steady <= 0.0:
        if beyond and pump_l_min is not None:
            return _burst(watch, moved_l, pump_l_min)
        watch = _settle(watch, LIMITS.u_air_share_rel)
        return watch if starting else _steady(watch, moved_l)
    # With few pulses in a block a single one must not look like a burst.
    if flow > steady * (LIMITS.burst + 1.5 / max(pulses, 1)):
        watch = _burst(watch, moved_l, steady)
        lasted_s = watch.block_t_s - (watch.burst_t_s or watch.block_t_s)
        if lasted_s > LIMITS.regime_s and not beyond:
            return evolve(
                watch, burst_l=0.0, burst_volume_l=0.0, burst_t_s=None, steady_l_min=flow, steady_n=1
            )
        return watch
    if watch.burst_t_s is not None:  # the tail of the burst lies in this block
        watch = evolve(watch, burst_l=watch.burst_l + _excess_l(watch, moved_l, steady))
    watch = _settle(watch, LIMITS.u_air_share_rel)
    if starting:
        return watch
    if flow < 0.5 * steady:  # another speed, a kink or a siphon: not what a burst is measured against
        return evolve(watch, steady_l_min=flow, steady_n=1, before_l=0.0)
    return _steady(watch, moved_l)


def _steady(watch: AirWatch, moved_l: float) -> AirWatch:
    """One more block of the steady flow."""
    n = min(watch.steady_n, 9)
    mean = (watch.steady_l_min * n + watch.flow_l_min) / (n + 1)
    before_l = _excess_l(watch, moved_l, mean)
    return evolve(watch, steady_l_min=mean, steady_n=watch.steady_n + 1, before_l=before_l)


def _burst(watch: AirWatch, moved_l: float, steady_l_min: float) -> AirWatch:
    excess_l = _excess_l(watch, moved_l, steady_l_min)
    if watch.burst_t_s is None:  # its head lies in the block before
        excess_l += watch.before_l
    began_s = watch.block_t_s - watch.block_s if watch.burst_t_s is None else watch.burst_t_s
    return evolve(
        watch,
        burst_l=watch.burst_l + excess_l,
        burst_volume_l=watch.burst_volume_l + moved_l,
        burst_t_s=began_s,
    )


def _settle(watch: AirWatch, u_rel: float) -> AirWatch:
    """Count a burst that is over as air: no more of it than passed meanwhile."""
    if watch.burst_t_s is None:
        return watch
    air_l = min(LIMITS.air_share * watch.burst_l, watch.burst_volume_l)
    # One opinion of s for all bursts: their doubts add up straight.
    return evolve(
        watch,
        air_l=watch.air_l + air_l,
        u_l=watch.u_l + u_rel * air_l,
        burst_l=0.0,
        burst_volume_l=0.0,
        burst_t_s=None,
    )
