"""The metered volume's budget: what the count, the K-factor, the fluid and the temperature leave in doubt."""

import math

from calibration import budget
from calibration.fluid import Fluid
from station.core.state import BayState
from station.filling import metering
from station.given.job import JobSpec

U_SUPPLY_C = 0.5
"""Standard uncertainty of a 1-Wire thermometer in the supply line: ±0.5 °C sensor class and what the line adds."""
U_SUPPLY_UNREAD_C = 8.0
"""Without a thermometer the supply is taken at the reference temperature, and a workshop is not a laboratory."""
K_GIVEN_AT_C = 20.0
U_SLIP_MM2_S = 0.7
"""What a gear meter lets pass uncounted goes as 1/viscosity: so much over ν, a share. Of small meters no source says how
much: an assumption, that a proving at another viscosity replaces."""
U_SLIP_PER_E = 0.00272
"""Oval gears of 50 mm bore changed by this share for each factor e of viscosity, from 0.17 to 12 mPa·s. Thicker fluids
are beyond it, so it only widens the doubt. Source: K. W. Lim, "An experimental study on the characteristics of oval
gear flowmeters", IMEKO FLOMEKO, abstract."""
U_PULSES = 0.6
"""One pulse at either end of a fill, rectangular: √2 · 1/√12, rounded up for the edge counted."""


BODY_PER_C = 7.0e-5
"""Volume expansion of a meter's aluminium body, 1/K (from memory: 3 × 23e-6). It is not corrected for, since bodies are of
steel and of plastics too: all of it is doubt."""
U_EXPANSION_REL = 0.05
"""Standard uncertainty of a fluid's expansion coefficient, relative to it: a grade's tables and the fluid in the drum differ
by as much (common practice, no source)."""
THIN = Fluid("lubricant", density_15_kg_m3=850.0, kv40_mm2_s=22.0, kv100_mm2_s=4.8)
THICK = Fluid("lubricant", density_15_kg_m3=900.0, kv40_mm2_s=320.0, kv100_mm2_s=24.0)
"""Between these two lies what a workshop pumps (ISO VG 22 and 320, viscosity index about 100, from memory). A fluid whose
viscosity nobody typed may be any of them."""


def _moved_rel(fluid: Fluid, from_c: float, to_c: float) -> float | None:
    """What the K-factor may have moved by between two temperatures of a fluid; None where its viscosity is not known."""
    try:
        proved, now = fluid.viscosity_mm2_s(from_c), fluid.viscosity_mm2_s(to_c)
    except ValueError:
        return None
    return None if proved is None or now is None else _slip_rel(proved, now)


def _slip_rel(proved_mm2_s: float, now_mm2_s: float) -> float:
    slip = U_SLIP_MM2_S * abs(1.0 / proved_mm2_s - 1.0 / now_mm2_s)
    return max(slip, U_SLIP_PER_E * abs(math.log(now_mm2_s / proved_mm2_s)))


def u_slip_rel(spec: JobSpec, supply_c: float | None, flow_l_min: float | None) -> float:
    """What the K-factor may be off by at the supply's viscosity and flow, relative.

    One K-factor was given at 20 °C. A curve carries its own doubt where it was proved, and beyond that the slip from the
    nearest proved condition. What is not known is taken to be at its worst: never less than any known fluid of a workshop
    would get.
    """
    at_c = spec.reference_temperature_c if supply_c is None else supply_c
    span_c = U_SUPPLY_UNREAD_C if supply_c is None else 0.0
    around = (at_c - span_c, at_c, at_c + span_c)
    if spec.meter.curve is not None:
        return _curve_rel(spec, around, flow_l_min)
    moved = [_moved_rel(spec.fresh, K_GIVEN_AT_C, c) for c in around]
    known = [m for m in moved if m is not None]
    if len(known) == len(moved):
        return max(known)
    return max(_moved_rel(fluid, K_GIVEN_AT_C, c) or 0.0 for fluid in (THIN, THICK) for c in around)


def proved_here(spec: JobSpec, supply_c: float | None, flow_l_min: float | None) -> bool:
    """Whether the meter's curve was proved at this flow and viscosity; true where one K-factor stands for all."""
    if spec.meter.curve is None:
        return True
    kv = _kv(spec, spec.reference_temperature_c if supply_c is None else supply_c)
    curve = spec.meter.curve
    return curve.covers(curve.flow_l_min[0] if flow_l_min is None else flow_l_min, kv)


def _kv(spec: JobSpec, at_c: float) -> float | None:
    try:
        return spec.fresh.viscosity_mm2_s(at_c)
    except ValueError:
        return None


def _curve_rel(spec: JobSpec, around: tuple[float, ...], flow_l_min: float | None) -> float:
    curve = spec.meter.curve
    if curve is None:
        return 0.0
    least, most = curve.kv_mm2_s
    found = []
    for kv in [_kv(spec, c) for c in around]:
        beyond = 0.0
        if kv is None:  # the whole curve may be meant, and what lies beyond it
            ends = [curve.nearest_k_factor_per_l(q, v)[0] for q in curve.flow_l_min for v in (least, most)]
            beyond = (
                (max(ends) - min(ends)) / min(ends)
                if all(math.isfinite(x) for x in curve.flow_l_min)
                else 0.0
            )
            near, kv = least, THIN.viscosity_mm2_s(around[-1]) or least
        near = min(max(kv, least), most)
        flow = curve.flow_l_min[0] if flow_l_min is None else flow_l_min
        q = min(max(flow, curve.flow_l_min[0]), curve.flow_l_min[1])
        k = curve.k_factor_per_l(q, near)
        apart = _slip_rel(near, kv) if kv != near else 0.0
        turned = U_SLIP_PER_E * abs(math.log(flow / q)) if flow > 0 and q > 0 and flow != q else 0.0
        found.append(math.hypot(curve.u_k_factor_per_l(q, near) / k, apart, turned, beyond))
    return max(found)


def metered(state: BayState) -> budget.Budget | None:
    """Budget of what the meter counted since the fill began; None before a fill or without a meter."""
    if state.fill.base is None and state.meter.pulses == 0 and not state.meter.counting:
        return None
    if "meter" not in state.hearing.last_t_s:
        return None
    spec, track = state.spec, state.meter
    supply_c = track.supply_c
    at_c = spec.reference_temperature_c if supply_c is None else supply_c
    u_supply_c = U_SUPPLY_UNREAD_C if supply_c is None else U_SUPPLY_C
    expansion_per_c = spec.fresh.expansion_at_per_c(at_c)
    off_c = max(abs(at_c - spec.reference_temperature_c), U_SUPPLY_UNREAD_C if supply_c is None else 0.0)
    body_c = max(abs(at_c - K_GIVEN_AT_C), U_SUPPLY_UNREAD_C if supply_c is None else 0.0)
    flow_l_min = track.air.steady_l_min if track.air.steady_n > 1 else None
    return budget.metered(
        volume_reference_l=track.volume_l,
        u_pulses_l=metering.u_pulses_l(track, spec.meter.k_factor_per_l, U_PULSES),
        u_k_rel=spec.meter.u_now_rel,
        u_slip_rel=u_slip_rel(spec, supply_c, flow_l_min),
        u_body_rel=BODY_PER_C * body_c,
        u_expansion_rel=U_EXPANSION_REL * expansion_per_c * off_c,
        dof_k=spec.meter.dof,
        expansion_per_c=expansion_per_c,
        u_temperature_c=u_supply_c,
    )
