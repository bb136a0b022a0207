"""Pulses become a volume at the reference temperature, one increment at a time."""

from dataclasses import dataclass, replace

from calibration.fluid import Fluid
from station.lines import MeterLine

_FLOW_S = 1.0


@dataclass(frozen=True)
class MeterTrack:
    """What went through the meter since the fill began.

    last: the newest cumulative count. pulses and volume_l: since fill_start, the volume at the reference
    temperature. kv_mm2_s: the fluid at the supply temperature. factor: volume at the reference temperature per volume at the supply's. recent: (t_s, count).
    """

    last: int = 0
    counting: bool = False
    pulses: int = 0
    volume_l: float = 0.0
    factor: float = 1.0
    supply_c: float | None = None
    kv_mm2_s: float | None = None
    recent: tuple[tuple[float, int], ...] = ()
    last_pulse_t_s: float = float("-inf")


def supply(track: MeterTrack, fluid: Fluid, temperature_c: float, reference_c: float) -> MeterTrack:
    """A new supply temperature: from here on each litre counts as ρ(T)/ρ(reference). Raises ValueError."""
    if temperature_c == track.supply_c:
        return track
    factor = fluid.density_kg_m3(temperature_c) / fluid.density_kg_m3(reference_c)
    kv_mm2_s = fluid.viscosity_mm2_s(temperature_c)
    return replace(track, supply_c=temperature_c, factor=factor, kv_mm2_s=kv_mm2_s)


def add(track: MeterTrack, t_s: float, count: int, line: MeterLine) -> MeterTrack:
    """Take in a cumulative count, not smaller than the last."""
    new = count - track.last
    recent = (*(r for r in track.recent if r[0] >= t_s - _FLOW_S), (t_s, count))
    pulses, volume_l = track.pulses, track.volume_l
    if track.counting and new:
        pulses += new
        k_factor_per_l = line.k_factor_per_l
        if line.curve is not None:
            (_, first), seconds = recent[0], t_s - recent[0][0]
            flow = (count - first) / k_factor_per_l / seconds * 60.0 if seconds > 0 else 0.0
            k_factor_per_l = line.k_at(flow, track.kv_mm2_s)
        volume_l += new / k_factor_per_l * track.factor
    return replace(
        track,
        last=count,
        pulses=pulses,
        volume_l=volume_l,
        recent=recent,
        last_pulse_t_s=t_s if new else track.last_pulse_t_s,
    )


def flow_l_min(track: MeterTrack, k_factor_per_l: float) -> float:
    """Flow over the last second, at the supply's temperature."""
    if len(track.recent) < 2:
        return 0.0
    (t0_s, first), (t1_s, last) = track.recent[0], track.recent[-1]
    return (last - first) / k_factor_per_l / (t1_s - t0_s) * 60.0 if t1_s > t0_s else 0.0
