"""Pulses become a volume at the reference temperature, one increment at a time."""

import math
from dataclasses import dataclass, field

from calibration.fluid import Fluid
from station.common.evolve import evolve
from station.filling import air
from station.filling.air import AirWatch
from station.filling.limits import LIMITS
from station.given.lines import MeterLine
from station.given.pumping import PumpLine


@dataclass(frozen=True)
class MeterTrack:
    """What went through the meter since the fill began.

    last: the newest cumulative count. pulses and volume_l: since fill_start, the volume at the reference temperature
    and without the air that was found in it. total_l: all that ever turned the meter in this job, purge and overrun and
    air included. pumped_s: how long the pump ran in the fill. kv_mm2_s: the fluid at the supply temperature. factor: volume at the reference temperature per volume
    at the supply's. recent: (t_s, count). last: None before the first. last_b, pulses_b: the second pulse train, where there is one.
    """

    last: int | None = None
    counting: bool = False
    pulses: int = 0
    volume_l: float = 0.0
    factor: float = 1.0
    supply_c: float | None = None
    kv_mm2_s: float | None = None
    recent: tuple[tuple[float, int], ...] = ()
    last_pulse_t_s: float = float("-inf")
    total_l: float = 0.0
    air: AirWatch = field(default_factory=AirWatch)
    air_l: float = 0.0
    u_air_l: float = 0.0
    pumped_s: float = 0.0
    last_b: int | None = None
    pulses_b: int = 0


def supply(track: MeterTrack, fluid: Fluid, temperature_c: float, reference_c: float) -> MeterTrack:
    """A new supply temperature: from here on each litre counts as ρ(T)/ρ(reference). Raises ValueError."""
    if temperature_c == track.supply_c:
        return track
    factor = fluid.density_kg_m3(temperature_c) / fluid.density_kg_m3(reference_c)
    kv_mm2_s = fluid.viscosity_mm2_s(temperature_c)
    return evolve(track, supply_c=temperature_c, factor=factor, kv_mm2_s=kv_mm2_s)


def add(
    track: MeterTrack, t_s: float, count: int, line: MeterLine, pump: PumpLine | None = None
) -> MeterTrack:
    """Take in a cumulative count, not smaller than the last."""
    new = 0 if track.last is None else count - track.last  # the first tells only where the counter stood
    kept, oldest_s = track.recent, t_s - LIMITS.flow_s
    first = 0
    while first < len(kept) and kept[first][0] < oldest_s:
        first += 1
    recent = (*kept[first:], (t_s, count))
    moved_l = 0.0
    if new:
        k_factor_per_l = line.k_factor_per_l
        if line.curve is not None:
            (_, oldest), seconds = recent[0], t_s - recent[0][0]
            flow = (count - oldest) / k_factor_per_l / seconds * 60.0 if seconds > 0 else 0.0
            k_factor_per_l = line.k_at(flow, track.kv_mm2_s)
        moved_l = new / k_factor_per_l
    counted = evolve(
        track,
        last=count,
        recent=recent,
        last_pulse_t_s=t_s if new else track.last_pulse_t_s,
        total_l=track.total_l + moved_l * track.factor,
    )
    if not track.counting:
        return counted
    pump_l_min = None if pump is None else pump.flow_at_l_min(track.kv_mm2_s)
    watch = air.add(track.air, t_s, new, moved_l, pump_l_min)
    volume_l, air_l, u_air_l = track.volume_l + moved_l * track.factor, track.air_l, track.u_air_l
    if watch.air_l != track.air.air_l:
        more_l = (watch.air_l - track.air.air_l) * track.factor
        air_l, volume_l, u_air_l = air_l + more_l, volume_l - more_l, watch.u_l * track.factor
    return evolve(
        counted, pulses=track.pulses + new, volume_l=volume_l, air=watch, air_l=air_l, u_air_l=u_air_l
    )


def switch(track: MeterTrack, t_s: float, on: bool) -> MeterTrack:
    """The pump's relay, as recorded: what the meter's rhythm is read against."""
    if not on and track.counting and track.air.on_t_s is not None:
        track = evolve(track, pumped_s=track.pumped_s + t_s - track.air.on_t_s)
    watch = air.switch(track.air, t_s, on)
    if watch.air_l == track.air.air_l:
        return evolve(track, air=watch)
    air_l = (watch.air_l - track.air.air_l) * track.factor
    return evolve(
        track,
        air=watch,
        air_l=track.air_l + air_l,
        u_air_l=watch.u_l * track.factor,
        volume_l=track.volume_l - air_l,
    )


def add_b(track: MeterTrack, count: int) -> MeterTrack:
    """Take in the second train's cumulative count; one that fell begins anew."""
    new = 0 if track.last_b is None else max(0, count - track.last_b)
    return evolve(track, last_b=count, pulses_b=track.pulses_b + new if track.counting else 0)


def apart_pulses(track: MeterTrack) -> int:
    """By how many pulses the two trains differ since the fill began; 0 where there is one train."""
    return 0 if track.last_b is None else abs(track.pulses - track.pulses_b)


def u_pulses_l(track: MeterTrack, k_factor_per_l: float, u_pulses: float) -> float:
    """Doubt in the counted volume: the count's own, the air's, and half of what two trains differ by, straight."""
    apart = apart_pulses(track)
    if apart <= max(LIMITS.trains_may_differ, LIMITS.trains_may_differ_rel * track.pulses):
        apart = 0
    return math.sqrt(
        (u_pulses / k_factor_per_l) ** 2 + track.u_air_l**2 + (0.5 * apart / k_factor_per_l) ** 2
    )


def flow_l_min(track: MeterTrack, k_factor_per_l: float) -> float:
    """Flow over the last second, at the supply's temperature."""
    if len(track.recent) < 2:
        return 0.0
    (t0_s, first), (t1_s, last) = track.recent[0], track.recent[-1]
    return (last - first) / k_factor_per_l / (t1_s - t0_s) * 60.0 if t1_s > t0_s else 0.0
