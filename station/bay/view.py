"""Builds what the pages are shown of one moment of the bay; see ``station.bay.views``."""

from collections.abc import Callable, Mapping
from dataclasses import replace

from calibration.budget import expanded
from hardware.sample import Sample
from station.bay import checklist
from station.bay.desk import Desk
from station.bay.supply_book import SupplyBook
from station.bay.views import (
    BayView,
    FaultView,
    FiguresView,
    ItemView,
    JobView,
    LipView,
    MarkView,
    PumpView,
    SecondPanView,
    SlugView,
    StepView,
    SupplyView,
    TimerView,
)
from station.calibrating.prover import Prover
from station.common.words import _
from station.core import amounts, control, forecast, interlock_table, interlocks, interruption, lip
from station.core.doubts import doubts
from station.core.expectation import expected_now
from station.core.notice import Notice
from station.core.state import BayState
from station.figures import balance
from station.filling import metering
from station.filling.limits import LIMITS as FILLING
from station.given.lines import PanLine
from station.given.report import Report
from station.given.stages import BEFORE_FILL

PAN_FRESH_S = 2.0
"""A pan that was read longer ago than this shows no mass."""


def job_view(state: BayState, job_id: str) -> JobView:
    """The job as it was planned."""
    spec, expects = state.spec, expected_now(state)
    said = spec.labels
    return JobView(
        job_id=job_id,
        vehicle=said.get("vehicle", ""),
        compartment=said.get("compartment", ""),
        technician=said.get("technician", ""),
        grade=said.get("grade", ""),
        drained_fluid=said.get("drained_fluid", ""),
        fresh_fluid=said.get("fresh_fluid", ""),
        expected_from=said.get("expected_from", ""),
        capacity_text=spec.capacity_text,
        listed_capacity_l=spec.capacity_l,
        expected_fill_l=expects.value_l,
        expected_fill_u95_l=expects.u95_l,
        method=spec.method,
        tolerance_minus_l=spec.tolerance_minus_l,
        tolerance_plus_l=spec.tolerance_plus_l,
        reference_temperature_c=spec.reference_temperature_c,
    )


def whole(
    now: BayView,
    desk: Desk,
    prover: Prover | None,
    latest: Mapping[str, Sample],
    told: Notice | None,
    report: Callable[[BayState], Report],
) -> BayView:
    """Whatever the bay does now. now: its head. latest: of each source. told: what went wrong since the last job. report:
    what a state came to."""
    if prover is not None:
        return proving_view(now, prover.state, report(prover.state))
    if desk.state is not None and desk.job_id is not None:
        return working_view(now, desk.state, report(desk.state), desk.job_id, desk.ticked, desk.came_utc)
    return idle_view(now, latest, told)


def pan_g(latest: Mapping[str, Sample], t_s: float, line: PanLine, source: str = "pan") -> float | None:
    """What stands on a pan, in grams; None without a fresh reading."""
    sample = latest.get(source)
    if sample is None or t_s - sample.t_s > PAN_FRESH_S:
        return None
    return line.indicated_kg(float(sample.value)) * 1000.0


def pan_b(latest: Mapping[str, Sample], t_s: float, line: PanLine | None) -> SecondPanView | None:
    """The second pan, by its line; None where the bay has one pan."""
    return None if line is None else SecondPanView(pan_g(latest, t_s, line, "pan_b"))


def proving_view(now: BayView, state: BayState, report: Report) -> BayView:
    """While the meter is proved there is a pump to hold, and no job."""
    return replace(_of_state(now, state, report, {}), stage="proving")


def working_view(
    now: BayView,
    state: BayState,
    report: Report,
    job_id: str,
    ticked: frozenset[str],
    came_utc: Mapping[str, str],
) -> BayView:
    """A job, open or just over. ticked: keys of the checklist items that are done.

    came_utc: when each step on the pan was seen, where that is known.
    """
    return replace(
        _of_state(now, state, report, came_utc),
        job=job_view(state, job_id),
        interruption=_(interruption.QUESTION) if interruption.asks(state) else None,
        checklist=tuple(
            ItemView(i.key, _(i.text), checklist.is_done(state, i, ticked), i.caution, i.mark is not None)
            for i in checklist.items(state)
        ),
        next_marks=tuple(MarkView(n.mark, n.label, n.why) for n in checklist.next_marks(state, ticked)),
    )


def _of_state(now: BayView, state: BayState, report: Report, came_utc: Mapping[str, str]) -> BayView:
    running = checklist.timer(state)
    f = balance.drip_ahead(state)
    target_l = amounts.target_l(state)
    ails = state.hearing.faults
    # What is unplugged is silent, too: one thing to mend, and said once.
    silent = (source for source in sorted(state.hearing.silent) if ails.get(source) != "unplugged")
    faults = [*ails.items(), *((source, "silent") for source in silent)]
    second = now.pan_b
    if second is not None:
        second = replace(second, flow_g_s=state.other.weighing.pan.flow_kg_s * 1000.0)
    return replace(
        now,
        pan_b=second,
        stage=state.stage.value,
        stage_s=state.t_s - state.stage_t_s if state.stage_t_s > float("-inf") else 0.0,
        figures=FiguresView.of(report),
        steps=tuple(StepView(**vars(row), utc=came_utc.get(row.id)) for row in report.steps),
        pan_flow_g_s=state.weighing.pan.flow_kg_s * 1000.0,
        wait_s=f.wait_s if f is not None else None,
        target_l=target_l,
        to_go_l=max(0.0, target_l - amounts.delivered_l(state)),
        flow_l_min=metering.flow_l_min(state.meter, state.spec.meter.k_factor_per_l),
        timer=None if running is None else TimerView(*running),
        pump_on=state.pump.on,
        held=bool(state.pump.hold.held_t_s),
        latched=state.pump.hold.latched,
        blocked=control.blocked(state),
        pump=_pump_view(state),
        faults=tuple(FaultView(source, fault) for source, fault in faults),
        notices=state.telling.notices,
        temperatures_c=dict(state.hearing.temperatures_c),
    )


def _pump_view(state: BayState) -> PumpView:
    """What the pump's part of the page needs beside ``pump_on``, ``held``, ``latched`` and ``blocked``."""
    found, hold, purge = interlocks.holds_off(state), state.pump.hold, state.supply.purge
    kind = None if found is None else found[0]
    lock = None if kind is None else interlock_table.TABLE[kind]
    run = hold.run
    return PumpView(
        interlock=kind,
        found=None if found is None else found[1],
        remedy=None if lock is None else lock.remedy,
        reason_allowed=lock is not None and lock.reason,
        overrides=dict(state.said.overrides),
        doubts=doubts(state),
        stop_open=hold.stop_open,
        fine=hold.fine,
        running_s=None if hold.running_since_t_s is None else state.t_s - hold.running_since_t_s,
        limit_s=None if run is None else run.limit_s,
        expected_flow_l_min=state.pump_can_l_min(hold.fine),
        overrun_l=forecast.overrun_forecast_l(state) if hold.running else None,
        overrun_s=state.pump.overrun.seconds(state.meter.kv_mm2_s),
        stops_learned=state.pump.overrun.stops,
        unsure_l=hold.unsure_l,
        too_little_left=control.too_little_left(state),
        air_l=state.meter.air_l,
        air_u95_l=expanded(state.meter.u_air_l),
        purging=purge is not None,
        purge_needed_l=amounts.purge_needed_l(state) if purge is None else purge.needed_l,
        purge_l=0.0 if purge is None else amounts.delivered_l(state),
        purged_l=state.supply.purged_l + (0.0 if purge is None else amounts.delivered_l(state)),
        purge_possible=state.stage in BEFORE_FILL,
        lip=_lip_view(state),
        do="" if lock is None else lock.do,
    )


def _lip_view(state: BayState) -> LipView | None:
    proof = state.fill.proof
    if proof is None:
        return None
    return LipView(
        under_way=lip.proving(state) is not None,
        steps=proof.steps,
        pushed_l=lip.pushed_l(state, proof),
        most_l=state.settings.lip_proof_most_l,
        over_l=lip.over_l(state, proof),
        proved=proof.proved_s is not None,
    )


def supply_view(book: SupplyBook, state: BayState | None) -> SupplyView:
    """The container at the pump and the hose, as of now. state: of the open job."""
    drum = book.drum if state is None else state.supply.drum
    total_l = 0.0 if state is None else state.meter.total_l
    now = None if drum is None else drum.now(total_l)
    hose = book.hose if state is None else book.hose_now(state)
    typed = None if state is None else state.said.container
    return SupplyView(
        container=None if now is None else now.container,
        fluid=None if now is None else now.fluid,
        grade=None if now is None else now.grade,
        left_l=None if now is None else now.left_l,
        left_u95_l=None if now is None else expanded(now.u_l),
        hose_l=hose.volume_l or None,
        hose=tuple(
            SlugView(s.fluid or "unknown", s.grade, s.volume_l)
            for s in hose.slugs
            if s.volume_l >= FILLING.crumb_l
        ),
        typed_before_kg=None if typed is None else typed.before_kg,
        typed_after_kg=None if typed is None else typed.after_kg,
        on_scale=state is not None and state.fill.container_before_kg is not None,
    )


def idle_view(now: BayView, latest: Mapping[str, Sample], told: Notice | None = None) -> BayView:
    """Between jobs: what the sensors say, and nothing measured. told: what went wrong since the last job."""
    states = {s.removesuffix("_state"): str(x.value) for s, x in latest.items() if s.endswith("_state")}
    pump = latest.get("pump")
    return replace(
        now,
        pump_on=pump is not None and bool(pump.value),
        faults=tuple(FaultView(source, word) for source, word in states.items() if word != "ok"),
        notices=() if told is None else (told,),
        temperatures_c={s: float(x.value) for s, x in latest.items() if s.endswith("_c")},
    )
