"""What the rooms that judge a stream say of streams of every kind, each as one number: what ``test_limits`` feels with.

Two of a kind stand side by side where a number may move either way: a thing and a smaller thing, a hole and a short one.
"""

# ruff: noqa: B023 (a probe is called before the loop goes on)

from collections.abc import Callable
from functools import partial
from types import SimpleNamespace
from typing import Any

from hardware.modbus import ModbusPlan
from hardware.sample import Sample
from hardware.serial_devices import SerialPlan, SerialScale
from station.common.evolve import evolve
from station.core.amounts import purge_needed_l
from station.core.notice import Notice
from station.core.state import BayState
from station.core.step import step
from station.figures import faults
from station.filling import drum, hose, metering, overrun
from station.filling.expecting import Film, expecting
from station.filling.limits import LIMITS as FILLING
from station.given import config_checks, pumping
from station.given.job import HoseHeld, JobSpec
from station.given.lines import FULL_COUNTS, MeterLine, PanLine
from tests.station.felt_pump import Probes, interlocks, lip_proofs, stops
from tests.station.felt_weighing import (
    noisy,
    shaken,
    weighing_counts,
    weighing_drips,
    weighing_rests,
    weighing_streams,
)
from tests.station.figures import test_constants as budgets


def filling_streams() -> Probes:
    line = MeterLine(400.0, 0.0015)

    def metered(
        flow: Any, until_s: float, pump: float | None, per_s: float = 10.0, on_s: float = 0.0
    ) -> float:
        track = metering.MeterTrack(last=0, counting=True, kv_mm2_s=100.0)
        known = None if pump is None else pumping.PumpLine(pump, kv_half_mm2_s=1e6)
        litres, told = 0.0, 0.0
        for i in range(1, round(until_s * per_s)):
            t_s = i / per_s
            litres += flow(t_s) / 60.0 / per_s
            if abs(t_s - on_s) < 0.5 / per_s:
                track = metering.switch(track, t_s, True)
            track = metering.add(track, t_s, int(litres * 400.0), line, known)
            told += metering.flow_l_min(track, 400.0) / 100.0
        track = metering.switch(track, until_s, False)
        told += 1e3 * (track.air_l + track.u_air_l) + track.air.steady_l_min + track.air.block
        return told + track.air.steady_n

    yield "steady", lambda: metered(lambda t: 3.0 * min(1.0, t / 0.8), 20.0, 3.2, on_s=0.1)
    yield "burst", lambda: metered(lambda t: 3.0 + 3.0 * (8.0 < t < 9.2), 20.0, 3.2, on_s=0.1)
    yield "mild burst", lambda: metered(lambda t: 3.0 + 1.2 * (8.0 < t < 9.2), 20.0, None, on_s=0.1)
    yield "early burst", lambda: metered(lambda t: 3.0 + 4.0 * (1.4 < t < 2.6), 12.0, 3.2, on_s=0.1)
    yield "new flow", lambda: metered(lambda t: 3.0 + 2.4 * (t > 8.0), 20.0, None, on_s=0.1)
    yield "long burst", lambda: metered(lambda t: 3.0 + 3.0 * (8.0 < t < 13.5), 20.0, 3.2, on_s=0.1)
    yield "thick", lambda: metered(lambda t: 0.25 + 0.4 * (20.0 < t < 23.0), 40.0, 0.3, on_s=0.1)
    yield "a trickle", lambda: metered(lambda t: 0.05, 60.0, 0.3, on_s=0.1)
    stop = overrun.Stop(0.0, 3.0, 2.9, 0.02, 2.93, 3.0, 300.0, "target reached", True)
    learned = overrun.Overrun()
    for i in range(12):
        late = overrun.Stop(
            **{**vars(stop), "final_l": 2.92 + 0.03 * (i == 7), "kv_mm2_s": 40.0 * 2.0 ** (i % 5)}
        )
        learned = learned.learn(late)
    yield (
        "overrun",
        lambda: 1e3 * (learned.a_s + learned.b_s) + 1e5 * (learned.paa + learned.pab + learned.pbb),
    )
    yield "its prior", lambda: overrun.Overrun().a_s - FILLING.prior_s
    yield "its prior's doubt", lambda: overrun.Overrun().paa - FILLING.u_prior_s**2
    yield "its slope's doubt", lambda: overrun.Overrun().pbb - FILLING.u_slope_s**2
    yield "longest", lambda: overrun.Overrun(a_s=9.0).seconds(100.0)
    yield "share", lambda: overrun.Overrun(a_s=1.9).forecast_l(60.0, 100.0, 3.0)
    yield (
        "drum",
        lambda: sum(vars(drum.Drum("d", "f", "g", 40.0, 0.1).now(10.0))[k] for k in ("left_l", "u_l")),
    )
    yield "short by", lambda: drum.short_by_l(drum.Drum("d", "f", "g", 5.0, 0.1), 5.0)
    for crumb in (0.004, 0.03):
        held = hose.Hose(0.35, (hose.Slug("a", "g", crumb), hose.Slug("b", "g", 0.35 - crumb)))
        yield f"crumb {crumb}", lambda: held.foreign("b", "g")[0]
    for pulses, pulses_b in ((100, 110), (1000, 1015), (1000, 1030), (100, 103), (1000, 1100)):
        track = metering.MeterTrack(pulses=pulses, pulses_b=pulses_b, last_b=1)
        yield f"trains {pulses} {pulses_b}", lambda: metering.u_pulses_l(track, 400.0, 0.6)
    spec = budgets.spec()
    for method in FILLING.film_rel:
        for film, lasted_s in ((None, 60.0), (None, 2400.0), (None, None), (Film(0.02, 0.004), 900.0)):
            now = expecting(evolve(spec, method=method), film, lasted_s, 30.0)
            yield f"expected {method} {film} {lasted_s}", lambda: now.value_l + 10.0 * now.u_l
    yield "expected unread", lambda: expecting(spec, None, None, None).u_l
    yield "purge", lambda: purge_needed_l(budgets.state(hose=HoseHeld(0.35, "ATF", "ATF")))


def refused(make: Any) -> float:
    try:
        make()
    except ValueError:
        return 1.0
    return 0.0


def _slope_refused(kg_per_count: float, serial: SerialPlan) -> float:
    file: Any = SimpleNamespace(
        pan=PanLine(0.0, kg_per_count, 0.0, 25.0), pan_b=None, serial=serial, modbus=ModbusPlan()
    )
    return float(any(config_checks.slopes(file, "bay")))


def given_values() -> Probes:
    yield "level", lambda: expecting(budgets.spec(), None, 60.0, None).u_l
    yield "arrival", lambda: faults.p_other(2.9, 0, 2.6)
    pump, usual = pumping.PumpLine(3.0), pumping.UsualFlow()
    for i in range(12):
        usual = usual.learn(3.0 * (0.9 + 0.01 * (i % 3)), pump, 0.0)
    yield "usual", lambda: usual.mean + usual.variance
    for seen, variance in ((4, 1e-6), (6, 1e-6), (6, 0.01), (60, 1e-6)):
        bounds = pumping.UsualFlow(1.0, variance, seen).bounds()
        yield f"bounds {seen} {variance}", lambda: 0.0 if bounds is None else bounds[1]
    for full_kg in (0.5, 5.0, 20.0, 90.0, 900.0):
        yield f"full at {full_kg}", lambda: _slope_refused(full_kg / FULL_COUNTS, SerialPlan())
    scale = SerialScale("/dev/ttyUSB0", 9600, "8N1", pattern="(.*)", unit="g", resolution_g=1.0)
    for off in (1.05, 1.5, 0.95):
        yield f"scale off {off}", lambda: _slope_refused(0.001 * off, SerialPlan(pan=scale))
    for bend in (0.2, 4.0):
        yield (
            f"bends {bend}",
            lambda: refused(partial(PanLine, 0.0, 4e-6, 0.0, 25.0, kg_per_count2=bend * 4e-6 / FULL_COUNTS)),
        )


def job(rows: list[Sample], spec: JobSpec) -> float:
    """When a job changed its stage, what it said and what it took, as one number."""
    state, told = BayState(spec), 0.0
    for sample in rows:
        before = state.stage
        state, effects = step(state, sample)
        told += sum(len(e.kind) + 0.1 * sample.t_s for e in effects if isinstance(e, Notice))
        told += sample.t_s if state.stage is not before else 0.0
    levels = (state.drain.before, state.drain.taken, state.fill.base, state.fill.end)
    told += sum(1e3 * (level.kg + level.u_kg) for level in levels if level is not None)
    return told + (state.fill.overflow_at_l or 0.0) + len(state.hearing.silent)


def drained(seed: int, until_s: float, kg: Any, per_s: float = 10.0, method: str = "cover removed") -> float:
    """A drain that opens after 3 s, told by the pan alone."""
    pan_rows = [Sample(t_s, "pan", round(now_kg / 4e-6)) for t_s, now_kg in noisy(seed, until_s, kg, per_s)]
    marks = [Sample(0.05, "mark", "pan_placed"), Sample(3.05, "mark", "drain_open")]
    warm = [Sample(1.0 + i, "fluid_drained_c", 40.0) for i in range(12)]
    rows = sorted([*pan_rows, *marks, *warm], key=lambda sample: sample.t_s)
    return job(rows, evolve(budgets.spec(), method=method))


def core_drains() -> Probes:
    def stream(t_s: float, kg_s: float = 0.05, to_s: float = 14.0) -> float:
        return kg_s * max(0.0, min(t_s, to_s) - 4.0)

    yield "nearly full", lambda: drained(9, 20.0, lambda t: stream(t, 0.95))
    yield "drain", lambda: drained(1, 40.0, stream)
    yield "thin stream", lambda: drained(2, 40.0, lambda t: stream(t, 0.0045, 30.0))
    yield "little in all", lambda: drained(3, 30.0, lambda t: stream(t, 0.02, 6.0))
    yield "gush", lambda: drained(4, 60.0, lambda t: stream(t) + 0.05 * max(0.0, min(t, 44.0) - 36.0))
    yield "slow gush", lambda: drained(5, 60.0, lambda t: stream(t) + 0.01 * max(0.0, min(t, 50.0) - 36.0))
    yield "breaks up", lambda: drained(6, 40.0, lambda t: stream(t) + 0.02 * max(0.0, min(t, 20.0) - 17.0))
    yield (
        "knocked twice",
        lambda: drained(
            7, 50.0, lambda t: stream(t) + shaken(t, 30.0, 30.8, 0.08) + shaken(t, 38.0, 38.8, 0.08)
        ),
    )
    yield (
        "knocked again",
        lambda: drained(
            8, 70.0, lambda t: stream(t) + shaken(t, 30.0, 30.8, 0.08) + shaken(t, 55.0, 55.8, 0.08)
        ),
    )


GROUPS: tuple[Callable[[], Probes], ...] = (
    weighing_counts, weighing_streams, weighing_drips, weighing_rests, filling_streams, given_values,
    core_drains, interlocks, stops, lip_proofs,
)  # fmt: skip
