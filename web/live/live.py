"""A view of the bay → what stands on the page, as text, flags, shapes and small fragments of HTML.

The first paint and every later update use the same values, so a page never shows two truths.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from web.frame import format as fmt
from web.frame import words
from web.frame.render import render
from web.live import gauge, pan_steps

NO_JOB = ("idle", "closed", "abandoned")
DRAINING = ("drain", "drip")
BEFORE_FILL = ("plan", *DRAINING, "reseal")
FILLED = ("settle", "leak watch", "closed")
NOTICES_SHOWN = 4
LAST_DIGIT_L = 0.005
PUMP_LOCKS = ("tripped", "stuck", "bad")
"""What the pump's guard says of itself that lasts until a person clears it."""
"""Less than this to go is shown as 0.00 L."""


@dataclass(frozen=True)
class Live:
    """text: by name, for elements marked data-text. flag: for data-show. geo: attributes for data-geo shapes.
    html: fragments for data-html. seq: the view's number."""

    seq: int
    stage: str
    text: Mapping[str, str]
    flag: Mapping[str, bool]
    geo: gauge.Geometry
    html: Mapping[str, str]

    def to_dict(self) -> dict[str, Any]:
        return asdict(self)


def _pump(view: Mapping[str, Any]) -> str:
    to_go_l = view["to_go_l"]
    pump = view.get("pump") or {}
    # In a purge the hose is in a waste vessel: no level at a plug asks for more.
    if (
        pump.get("purging")
        and not (view["pump_on"] or view["latched"] or view["blocked"])
        and to_go_l is not None
        and to_go_l < LAST_DIGIT_L
    ):
        return words.PURGED
    return words.pump(
        view["latched"],
        view["blocked"],
        pump_on=view["pump_on"],
        held=view["held"],
        reached=to_go_l is not None and to_go_l < LAST_DIGIT_L,
    )


def _figure(text: dict[str, str], name: str, shown: fmt.Shown) -> None:
    text[f"{name}.number"] = shown.number
    text[f"{name}.rest"] = f"{shown.doubt} {shown.unit}".strip()
    text[name] = str(shown)


def live(view: Mapping[str, Any]) -> Live:
    """Build everything that moves on the bay page and the wall. view: as ``station.bay.engine.Engine.view``."""
    job, stage = view["job"], view["stage"] if view["job"] is not None else "idle"
    text = _job_text(job) | _station_text(view)
    for name, shown in _figures(view).items():
        _figure(text, name, shown)
    verdict = words.verdict(view["verdict"], view["p_short"], view["p_within"], view["p_over"])
    judged = job is not None and stage in FILLED and view["filled_l"] is not None
    text |= {
        "stage": "no job" if stage == "idle" else stage,
        "waiting": fmt.waiting(view["wait_s"]) if stage == "drip" else "",
        "verdict.word": verdict.word,
        "verdict.sign": verdict.sign,
        "verdict.text": verdict.text,
        "verdict.when": "" if stage == "closed" else "as of now",
        "pump": _pump(view),
        **_supply_text(view),
    }
    geo: gauge.Geometry = {}
    if job is not None:
        geo |= gauge.flask(view) | gauge.drain(view)
    timer = view["timer"]
    if timer is not None:
        text["timer.what"] = words.TIMERS.get(timer["what"], timer["what"])
        text["timer.left"] = fmt.clock(timer["left_s"])
        text["timer.of"] = f"of {fmt.clock(timer['of_s'])}"
        geo |= gauge.timer(timer["left_s"], timer["of_s"])
    else:
        text |= {"timer.what": "", "timer.left": "", "timer.of": ""}
    return Live(view["seq"], stage, text, _flags(view, stage, judged), geo, _fragments(view, stage))


def _supply_text(view: Mapping[str, Any]) -> dict[str, str]:
    """What holds the pump off and how to mend it, the hose and the drum."""
    pump, supply = view.get("pump") or {}, view.get("supply") or {}
    hose = " + ".join(
        f"{fmt.litres(part['volume_l'])} {part['grade'] or part['fluid']}" for part in supply.get("hose", ())
    )
    left = fmt.litres(supply.get("left_l"), supply.get("left_u95_l"))
    return {
        "held.found": pump.get("found") or "",
        "held.remedy": pump.get("remedy") or "",
        "held.kind": pump.get("interlock") or "",
        "doubts": words.doubts(pump.get("doubts") or {}),
        "purge": f"{fmt.litres(pump.get('purge_l'))} of {fmt.litres(pump.get('purge_needed_l'))}",
        "drum": f"{supply['container']}: {left} left of {supply['grade']}"
        if supply.get("container")
        else "No container entered: connect one",
        "hose": hose or "empty",
    }


def _job_text(job: Mapping[str, Any] | None) -> dict[str, str]:
    if job is None:
        return dict.fromkeys(
            ("job", "fluids", "listed", "expected_from", "method", "job_id", "limits.upper", "limits.lower"),
            "",
        )
    expected, minus, plus = job["expected_fill_l"], job["tolerance_minus_l"], job["tolerance_plus_l"]
    return {
        "job": f"{job['vehicle']} · {job['compartment']}",
        "fluids": job["fresh_fluid"] or job["grade"],
        "listed": job["capacity_text"],
        "expected_from": job["expected_from"],
        "method": job["method"],
        "job_id": job["job_id"],
        "limits.upper": fmt.litres(expected + plus).number,
        "limits.lower": fmt.litres(expected - minus).number,
    }


def _station_text(view: Mapping[str, Any]) -> dict[str, str]:
    warm = view["temperatures_c"]
    return {
        "bay": view["bay"],
        "speed": f"× {view['speed']:g}" if view["speed"] != 1 else "",
        "drained_c": str(fmt.temperature(warm.get("fluid_drained_c"))),
        "supply_c": str(fmt.temperature(warm.get("fluid_supply_c"))),
        "air_c": str(fmt.temperature(warm.get("air_c"))),
        "pan": str(fmt.mass(view["pan_g"])),
        "leak": view["leak_text"] or "",
        "leak.measured": words.leak_measured(view["leak_l_h"], view["leak_u95_l_h"]),
        "pan_flow": str(fmt.mass_flow(view["pan_flow_g_s"])),
        "flow": str(fmt.flow(view["flow_l_min"])),
    }


def _figures(view: Mapping[str, Any]) -> dict[str, fmt.Shown]:
    job = view["job"] or {}
    return {
        "drained": fmt.litres(view["drained_l"], view["drained_u95_l"]),
        "to_come": fmt.volume(view["still_to_come_l"], view["still_to_come_u95_l"]),
        "metered": fmt.litres(view["metered_l"]),
        "overflow": fmt.volume(view["overflow_l"], view["overflow_u95_l"]),
        "filled": fmt.litres(view["filled_l"], view["filled_u95_l"]),
        "expected": fmt.litres(job.get("expected_fill_l"), job.get("expected_fill_u95_l")),
        "target": fmt.litres(view["target_l"]),
        "to_go": fmt.litres(view["to_go_l"]),
    }


def _flags(view: Mapping[str, Any], stage: str, judged: bool) -> dict[str, bool]:
    job_open = stage not in NO_JOB
    overflow = view["overflow_l"] is not None and view["overflow_l"] > 0
    pump = view.get("pump") or {}
    purging = bool(pump.get("purging"))
    return {
        "job": view["job"] is not None,
        "idle": stage == "idle",
        "job_open": job_open,
        "plan_form": not job_open,
        "over": view["job"] is not None and not job_open,
        "panel_plan": stage == "plan",
        "panel_drain": stage in DRAINING,
        "panel_reseal": stage == "reseal",
        "panel_fill": stage == "fill",
        "panel_settle": stage == "settle",
        "panel_leak": stage == "leak watch",
        "flask": stage in ("fill", *FILLED) and view["filled_l"] is not None,
        "to_come": stage in DRAINING and view["still_to_come_l"] is not None,
        "timer": view["timer"] is not None,
        "verdict": judged,
        "overflow": overflow,
        "torque": stage in ("reseal", "settle", "leak watch"),
        "top_up": stage in ("fill", "settle"),
        "dock": stage == "fill" or view["pump_on"] or purging,
        "hold": stage == "fill" or purging,
        # A wrong container is changed with less trouble before the cover is off than when the pump refuses.
        "held_off": bool(pump.get("found"))
        and (stage == "fill" or purging or (pump.get("interlock") == "wrong_grade" and stage in BEFORE_FILL)),
        "reason_allowed": bool(pump.get("reason_allowed")),
        # Between jobs there is no pump view, and a trip still has to be cleared.
        "pump_locked": any(f["source"] == "pump" and f["fault"] in PUMP_LOCKS for f in view["faults"]),
        "doubts": bool(pump.get("doubts")),
        "purging": purging,
        "purge_asked": bool(pump.get("purge_possible"))
        and (pump.get("purge_needed_l") or 0.0) > LAST_DIGIT_L
        and not purging,
        "pump_on": view["pump_on"],
        "pump_off_why": not view["pump_on"] and (view["latched"] is not None or view["blocked"] is not None),
        "fault": bool(view["faults"]),
        "notices": bool(view["notices"]),
        "asked": job_open and any(q.open for q in pan_steps.questions(view["steps"])),
        "told": job_open and any(not q.open for q in pan_steps.questions(view["steps"])),
        "checklist": job_open and bool(view["checklist"]),
        "fast": view["speed"] != 1,
        "clock_unsynced": not view["clock_synced"],
        "simulated": view["backend"] == "simulated",
    }


def _fragments(view: Mapping[str, Any], stage: str) -> dict[str, str]:
    notices = list(reversed(view["notices"]))
    asked = pan_steps.questions(view["steps"])
    return {
        "stages": render("_stages.html", stages=words.JOB_STAGES, stage=stage),
        "checklist": render("_checklist.html", items=view["checklist"]),
        "steps": render("_steps.html", steps=view["next_marks"]),
        "over": render("_over.html", job_id=view["job"]["job_id"], stage=stage)
        if view["job"] is not None
        else "",
        "asked": render("_questions.html", questions=[q for q in asked if q.open]),
        "told": render("_questions.html", questions=[q for q in asked if not q.open]),
        "faults": render(
            "_faults.html", faults=[(words.source(f["source"]), f["fault"]) for f in view["faults"]]
        ),
        "notices": render(
            "_notices.html", notices=notices[:NOTICES_SHOWN], more=len(notices) - NOTICES_SHOWN
        ),
    }
