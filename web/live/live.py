"""A view of the bay → what stands on the page, as text, flags, shapes and small fragments of HTML.

The first paint and every later update use the same values, so a page never shows two truths.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from station.bay.views import BayView, JobView, PumpView
from station.common.words import _
from station.given.stages import BEFORE_FILL, DRAINING
from station.learning.reason import Outcome, needs_words, reason
from web.frame import format as fmt
from web.frame import words
from web.frame.render import render
from web.live import gauge, pan_steps, witnesses
from web.live.cues import cue
from web.live.dock import REACHED_L, Dock, dock, reached

NO_JOB = ("idle", "closed", "abandoned")
FILLED = ("settle", "leak watch", "closed")
NOTICES_SHOWN = 4
PUMP_LOCKS = ("tripped", "stuck", "bad")
"""What the pump's guard says of itself that lasts until a person clears it."""


@dataclass(frozen=True)
class Live:
    """text: by name, for elements marked data-text. flag: for data-show. geo: attributes for data-geo shapes.
    html: fragments for data-html. seq: the view's number. now: what a curve grows by, as plain numbers."""

    seq: int
    stage: str
    text: Mapping[str, str]
    flag: Mapping[str, bool]
    geo: gauge.Geometry
    html: Mapping[str, str]
    now: Mapping[str, float | None]

    def to_dict(self) -> dict[str, Any]:
        return asdict(self)


def _pump(view: BayView) -> str:
    # In a purge the hose is in a waste vessel: no level at a plug asks for more.
    if _purging(view) and reached(view) and not (view.latched or view.blocked):
        return _(words.PURGED)
    proof = None if view.pump is None else view.pump.lip
    if proof is not None and proof.under_way and not (view.pump_on or view.latched or view.blocked):
        return words.proving(view.held)
    line = words.pump(
        view.latched,
        view.blocked,
        pump_on=view.pump_on,
        held=view.held,
        reached=reached(view),
        uncounted=view.unsure_l >= REACHED_L,
        too_little_left=view.pump is not None and view.pump.too_little_left,
        ran_over=(view.figures.overflow_l or 0.0) >= REACHED_L,
    )
    if view.pump is None or view.pump_on or not view.pump.do:
        return line
    return f"{line} {_(view.pump.do)}"


def _purging(view: BayView) -> bool:
    return view.pump is not None and view.pump.purging


def _figure(text: dict[str, str], name: str, shown: fmt.Shown) -> None:
    text[f"{name}.number"] = shown.number
    text[f"{name}.rest"] = f"{shown.doubt} {shown.unit}".strip()
    text[name] = str(shown)


def live(view: BayView) -> Live:
    """Build everything that moves on the bay page and the wall. view: as ``station.bay.engine.Engine.view``."""
    job, figures, stage = view.job, view.figures, view.stage if view.job is not None else "idle"
    text = _job_text(job) | _station_text(view)
    for name, shown in _figures(view).items():
        _figure(text, name, shown)
    verdict = words.verdict(figures.verdict, figures.p_short, figures.p_within, figures.p_over)
    judged = job is not None and stage in FILLED and figures.filled_l is not None
    told = None if job is None else reason(outcome(view))
    text |= {
        "stage": _("no job") if stage == "idle" else _(stage),
        "waiting": fmt.waiting(view.wait_s) if stage == "drip" else "",
        "verdict.tone": verdict.tone,
        "verdict.word": verdict.word,
        "verdict.sign": verdict.sign,
        "verdict.text": verdict.text,
        "verdict.said": fmt.sentence(figures.verdict_text),
        "verdict.when": "" if stage == "closed" else _("as of now"),
        "reason": "" if told is None else told.text,
        "pump": _pump(view),
        "cue": cue(view),
        **_supply_text(view),
    }
    geo: gauge.Geometry = {}
    if job is not None:
        geo |= gauge.flask(job, figures, view.target_l) | gauge.drain(job, figures)
    timer = view.timer
    if timer is not None:
        named = words.TIMES_UP if timer.left_s <= 0 else words.TIMERS
        text["timer.what"] = _(named.get(timer.what, timer.what))
        text["timer.left"] = fmt.clock(timer.left_s)
        text["timer.of"] = _("of {of}").format(of=fmt.clock(timer.of_s))
        geo |= gauge.timer(timer.left_s, timer.of_s)
    else:
        text |= {"timer.what": "", "timer.left": "", "timer.of": ""}
    near = dock(view, outcome(view)) if stage not in NO_JOB else Dock("", "")
    text |= {"dock.figure": near.figure, "dock.missing": near.missing}
    flags = _flags(view, stage, judged, near)
    return Live(view.seq, stage, text, flags, geo, _fragments(view, stage, flags, near), _now(view))


def _now(view: BayView) -> dict[str, float | None]:
    """In the units of ``station.record.curve``; the pan as it indicates."""
    figures, pan_kg = view.figures, None if view.pan_g is None else view.pan_g / 1000.0
    return {
        "t_s": round(view.t_s, 2),
        "pan_kg": pan_kg,
        "pan_b_kg": None if view.pan_b is None or view.pan_b.reads_g is None else view.pan_b.reads_g / 1000.0,
        "metered_l": figures.metered_l if view.stage in ("fill", *FILLED) else None,
        "flow_l_min": view.flow_l_min,
        "pump_on": float(view.pump_on),
        "to_come_l": figures.still_to_come_l if view.stage in DRAINING else None,
        "to_come_u95_l": figures.still_to_come_u95_l,
    }


def _witnesses(view: BayView, judged: bool) -> str:
    if not judged:
        return ""
    told = witnesses.lines(view.figures.witnesses, view.figures.verdict)
    return render("_witnesses.html", witnesses=told)


def outcome(view: BayView) -> Outcome:
    """What the job has come to so far, for the sentence about it."""
    f = view.figures
    known = {name: getattr(f, name) for name in Outcome.__dataclass_fields__ if hasattr(f, name)}
    known |= {
        "expected_fill_l": f.expected_fill_l or 0.0,
        "tolerance_minus_l": f.tolerance_minus_l or 0.0,
        "tolerance_plus_l": f.tolerance_plus_l or 0.0,
        "verdict": f.verdict if f.filled_l is not None else None,
    }
    return Outcome(stage=view.stage, **known)


def _supply_text(view: BayView) -> dict[str, str]:
    """What holds the pump off and how to mend it, the hose and the drum."""
    pump, supply = view.pump, view.supply
    hose = " + ".join(f"{fmt.litres(part.volume_l)} {part.grade or part.fluid}" for part in supply.hose)
    left = fmt.litres(supply.left_l, supply.left_u95_l)
    text = {
        "drum": _("{container}: {left} left of {grade}").format(
            container=supply.container, left=left, grade=supply.grade
        )
        if supply.container
        else _("No container at the pump: connect one"),
        "hose": hose or _("empty"),
        "weighed": words.container_weighed(supply),
    }
    if pump is None:
        return text | dict.fromkeys(("held.found", "held.remedy", "held.kind", "doubts", "purge"), "")
    return text | {
        "held.found": _(pump.found),
        "held.remedy": _(pump.remedy),
        "held.kind": pump.interlock or "",
        "doubts": words.doubts(pump.doubts),
        "purge": _("{purge} of {needed}").format(
            purge=fmt.litres(pump.purge_l), needed=fmt.litres(pump.purge_needed_l)
        ),
    }


def _job_text(job: JobView | None) -> dict[str, str]:
    if job is None:
        return dict.fromkeys(
            ("job", "fluids", "listed", "expected_from", "method", "job_id", "limits.upper", "limits.lower"),
            "",
        )
    return {
        "job": f"{job.vehicle} · {job.compartment}",
        "fluids": job.fresh_fluid or job.grade,
        "listed": fmt.listed(job.capacity_text),
        "expected_from": job.expected_from,
        "method": _(job.method),
        "job_id": job.job_id,
        "limits.upper": fmt.litres(job.expected_fill_l + job.tolerance_plus_l).number,
        "limits.lower": fmt.litres(job.expected_fill_l - job.tolerance_minus_l).number,
    }


def _station_text(view: BayView) -> dict[str, str]:
    warm, figures = view.temperatures_c, view.figures
    return {
        "bay": view.bay,
        "speed": f"× {fmt.general(view.speed)}" if view.speed != 1 else "",
        "drained_c": str(fmt.temperature(warm.get("fluid_drained_c"))),
        "supply_c": str(fmt.temperature(warm.get("fluid_supply_c"))),
        "air_c": str(fmt.temperature(warm.get("air_c"))),
        **_pans(view),
        "leak": _(figures.leak_text),
        "leak.measured": words.leak_measured(figures.leak_l_h, figures.leak_u95_l_h),
        "flow": str(fmt.flow(view.flow_l_min)),
    }


def _pans(view: BayView) -> dict[str, str]:
    """What stands on the pan and what runs into it; behind each the second one, where the bay has one."""
    reads, flow = str(fmt.mass(view.pan_g)), str(fmt.mass_flow(view.pan_flow_g_s))
    second = view.pan_b
    if second is None:
        return {"pan": reads, "pans": reads, "pan_flow": flow, "pan_b": ""}
    reads_b, flow_b = str(fmt.mass(second.reads_g)), str(fmt.mass_flow(second.flow_g_s))
    beside = _("{pan} · second pan {pan_b}")
    return {
        "pan": reads,
        "pans": beside.format(pan=reads, pan_b=reads_b),
        "pan_flow": beside.format(pan=flow, pan_b=f"{reads_b}, {flow_b}"),
        "pan_b": reads_b,
    }


def _figures(view: BayView) -> dict[str, fmt.Shown]:
    job, figures = view.job, view.figures
    return {
        "drained": fmt.litres(figures.drained_l, figures.drained_u95_l),
        "to_come": fmt.volume(figures.still_to_come_l, figures.still_to_come_u95_l),
        "metered": fmt.litres(figures.metered_l),
        "overflow": fmt.volume(figures.overflow_l, figures.overflow_u95_l),
        "filled": fmt.litres(figures.filled_l, figures.filled_u95_l),
        "expected": fmt.NOTHING if job is None else fmt.litres(job.expected_fill_l, job.expected_fill_u95_l),
        "target": fmt.litres(view.target_l),
        "to_go": fmt.litres(view.to_go_l),
    }


def _flags(view: BayView, stage: str, judged: bool, near: Dock) -> dict[str, bool]:
    figures, job_open = view.figures, stage not in NO_JOB
    told = None if view.job is None else reason(outcome(view))
    asked = pan_steps.questions(view.steps)
    purging = _purging(view)
    return {
        "job": view.job is not None,
        "idle": stage == "idle",
        "job_open": job_open,
        "plan_form": not job_open,
        "over": view.job is not None and not job_open,
        "given_up": stage == "abandoned",
        "panel_plan": stage == "plan",
        "panel_drain": stage in DRAINING,
        "panel_reseal": stage == "reseal",
        "panel_fill": stage == "fill",
        "panel_settle": stage == "settle",
        "panel_leak": stage == "leak watch",
        "flask": stage in ("fill", *FILLED) and figures.filled_l is not None,
        "to_come": stage in DRAINING and figures.still_to_come_l is not None,
        "timer": view.timer is not None,
        "verdict": judged,
        "reason": told is not None,
        "reason_grave": told is not None and told.grave,
        "close_reason": stage == "leak watch" and needs_words(outcome(view)),
        "overflow": figures.overflow_l is not None and figures.overflow_l > 0,
        "torque": stage in ("reseal", "settle", "leak watch"),
        "top_up": stage in ("fill", "settle"),
        "weigh_container": job_open and not view.supply.on_scale,
        "dock": (stage == "fill" and near.tick is None) or view.pump_on or purging,
        # At the target there is nothing to hold for, but whoever still holds keeps what is under the thumb.
        "hold": purging or (stage == "fill" and (view.pump_on or view.held or near.held)),
        "docked": job_open or view.pump_on or purging,
        # Between jobs there is no pump view, and a trip still has to be cleared.
        "pump_locked": any(f.source == "pump" and f.fault in PUMP_LOCKS for f in view.faults),
        **_pump_flags(view.pump, stage),
        "pump_on": view.pump_on,
        "pump_off_why": not view.pump_on and (view.latched is not None or view.blocked is not None),
        "fault": bool(view.faults),
        "notices": bool(view.notices),
        "interruption": view.interruption is not None,
        "asked": job_open and any(q.open for q in asked),
        "told": job_open and any(not q.open for q in asked),
        "checklist": job_open and bool(view.checklist),
        "fast": view.speed != 1,
        "clock_unsynced": not view.clock_synced,
        "simulated": view.backend == "simulated",
    }


def _pump_flags(pump: PumpView | None, stage: str) -> dict[str, bool]:
    if pump is None:
        return dict.fromkeys(("held_off", "reason_allowed", "doubts", "purging", "purge_asked"), False)
    # A wrong container is changed with less trouble before the cover is off than when the pump refuses.
    early = pump.interlock == "wrong_grade" and stage in BEFORE_FILL
    return {
        "held_off": bool(pump.found) and (stage == "fill" or pump.purging or early),
        "reason_allowed": pump.reason_allowed,
        "doubts": bool(pump.doubts),
        "purging": pump.purging,
        "purge_asked": pump.purge_possible and pump.purge_needed_l > REACHED_L and not pump.purging,
    }


def _fragments(view: BayView, stage: str, flags: Mapping[str, bool], near: Dock) -> dict[str, str]:
    notices = list(reversed(view.notices))
    asked = pan_steps.questions(view.steps)
    return {
        "stages": render("_stages.html", stages=words.JOB_STAGES, stage=stage),
        "checklist": render("_checklist.html", items=view.checklist),
        "steps": render("_steps.html", steps=view.next_marks, close_reason=flags["close_reason"], dock=near),
        "next": render("_dock.html", dock=near, close_reason=flags["close_reason"]),
        "interruption": render("_interruption.html", question=view.interruption),
        "witnesses": _witnesses(view, flags["verdict"]),
        "over": "" if view.job is None else render("_over.html", job_id=view.job.job_id, stage=stage),
        "asked": render("_questions.html", questions=[q for q in asked if q.open]),
        "told": render("_questions.html", questions=[q for q in asked if not q.open]),
        "faults": render("_faults.html", faults=[(words.source(f.source), _(f.fault)) for f in view.faults]),
        "standing": render("_standing.html", flags=view.standing),
        "notices": render(
            "_notices.html", notices=notices[:NOTICES_SHOWN], more=len(notices) - NOTICES_SHOWN
        ),
    }
