"""What has flowed at this very moment, and what will still flow once the pump is told to stop."""

from station.core.amounts import delivered_l, target_l
from station.core.limits import LIMITS
from station.core.state import BayState
from station.filling import metering


def overrun_forecast_l(state: BayState) -> float:
    """What will still flow after the stop command.

    In the pump's first seconds the flow is not steady. What comes after a stop is then no more than what was
    commanded and has not come: a pump that lags when it stops lagged when it started.
    """
    meter, run = state.meter, state.pump.hold.run
    flow = metering.flow_l_min(meter, state.spec.meter.k_factor_per_l)
    running_s = state.t_s - run.t_s if run is not None else LIMITS.unsteady_s
    if run is None or running_s >= LIMITS.unsteady_s:
        return state.pump.overrun.forecast_l(flow * meter.factor, meter.kv_mm2_s, target_l(state))
    steady = max(flow, _steady_l_min(state))
    ahead_l = state.pump.overrun.forecast_l(steady * meter.factor, meter.kv_mm2_s, target_l(state))
    owed_l = steady * meter.factor / 60.0 * running_s - (delivered_l(state) - run.from_l)
    return max(0.0, min(ahead_l, owed_l))


def _steady_l_min(state: BayState) -> float:
    """The flow that a start leads to: as seen in this fill, else as the pump is known for, else 0."""
    watch, fine = state.meter.air, state.pump.hold.fine
    if watch.steady_n > 1 and not fine:
        return watch.steady_l_min
    can = state.pump_can_l_min(fine)
    return can or 0.0


def now_l(state: BayState) -> float:
    """Delivered at this moment: the count, half a pulse, and what flowed since the count."""
    flow = metering.flow_l_min(state.meter, state.spec.meter.k_factor_per_l)
    since_s = min(LIMITS.count_age_s, state.t_s - state.hearing.last_t_s.get("meter", state.t_s))
    half_l = 0.5 / state.spec.meter.k_factor_per_l if flow > 0 else 0.0
    return delivered_l(state) + (half_l + flow / 60.0 * since_s) * state.meter.factor
