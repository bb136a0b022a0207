"""The view of the bay: what a page may rely on in every stage."""

import json
from dataclasses import FrozenInstanceError, fields, is_dataclass, replace
from typing import Any

import pytest

from hardware.sample import Sample
from station.bay import view, views
from station.bay.publishing import FIGURES_S, Reports
from station.core.notice import Notice
from station.core.state import BayState
from station.figures import balance
from station.given.stages import Stage
from station.rehearsing.scenario import read_scenario

NOW = views.BayView(7, 12.0, "Bay 1", "simulated", True, 1.0, None, views.SupplyView())


def working() -> views.BayView:
    state = BayState(read_scenario(None).spec)
    return view.working_view(NOW, state, balance.report(state), "j1", frozenset({"pan"}), {})


def test_json_has_the_same_keys_between_jobs_and_in_a_job() -> None:
    idle, job = view.idle_view(NOW, {}).to_dict(), working().to_dict()
    assert idle.keys() == job.keys()
    assert {"drained_l", "filled_u95_l", "leak_text", "supply", "pump", "stage"} <= idle.keys()
    assert "figures" not in idle
    for plain in (idle, job):
        assert json.loads(json.dumps(plain, allow_nan=False))["seq"] == 7


def test_json_says_of_a_mark_whether_it_can_be_set() -> None:
    marks = {mark["mark"]: mark for mark in working().to_dict()["next_marks"]}
    assert marks["pan_placed"]["enabled"] is True
    assert marks["drain_open"] == {
        "mark": "drain_open",
        "label": "Drain opened",
        "why": marks["drain_open"]["why"],
        "enabled": False,
    }


def test_ticked_items_are_done() -> None:
    assert [item.key for item in working().checklist if item.done] == ["pan"]


def test_while_the_meter_is_proved_there_is_a_pump_and_no_job() -> None:
    state = BayState(read_scenario(None).spec)
    proving = view.proving_view(NOW, state, balance.report(state))
    assert proving.stage == "proving"
    assert proving.pump is not None
    assert (proving.job, proving.checklist, proving.next_marks) == (None, (), ())


def test_between_jobs_the_sensors_and_the_last_alarm_are_shown() -> None:
    told = Notice("flow_while_stopped", "20 mL flowed.", 11.0, True)
    heard = [Sample(11.0, "pump", 1), Sample(11.0, "pan_state", "silent"), Sample(11.0, "air_c", 18.5)]
    idle = view.idle_view(NOW, {sample.source: sample for sample in heard}, told)
    assert idle.pump_on
    assert idle.faults == (views.FaultView("pan", "silent"),)
    assert idle.temperatures_c == {"air_c": 18.5}
    assert idle.to_dict()["notices"] == [
        {"kind": "flow_while_stopped", "text": "20 mL flowed.", "stops": True}
    ]


def test_a_pan_that_is_unplugged_is_one_fault_and_not_silent_beside() -> None:
    state = BayState(read_scenario(None).spec)
    ails = {"pan": "unplugged", "meter": "timing"}
    heard = replace(state.hearing, faults=ails, silent=frozenset({"pan", "meter", "air_c"}))
    shown = view.proving_view(NOW, replace(state, hearing=heard), balance.report(state)).faults
    told = [("pan", "unplugged"), ("meter", "timing"), ("air_c", "silent"), ("meter", "silent")]
    assert shown == tuple(views.FaultView(*one) for one in told)


def test_a_snapshot_is_frozen_all_the_way() -> None:
    types: list[Any] = [t for t in vars(views).values() if is_dataclass(t) and t.__module__ == views.__name__]
    assert len(types) > 8
    for one in types:
        assert one.__dataclass_params__.frozen, one
        assert not any("list[" in str(f.type) or "dict[" in str(f.type) for f in fields(one)), one
    with pytest.raises(FrozenInstanceError):
        working().seq = 8  # type: ignore[misc]


def test_figures_stand_while_only_time_and_flow_go_on() -> None:
    now_s = 50.0
    reports = Reports(lambda: now_s)
    state = replace(BayState(read_scenario(None).spec), stage=Stage.FILL, t_s=10.0)
    first = reports.of(state)
    soon = replace(state, t_s=10.0 + 0.9 * FIGURES_S)
    assert reports.of(soon) is first
    for changed in (
        replace(soon, t_s=10.0 + FIGURES_S),
        replace(soon, stage=Stage.SETTLE),
        replace(soon, pump=replace(soon.pump, on=True)),
        replace(soon, spec=replace(soon.spec, capacity_l=3.1)),
    ):
        first = reports.of(state)
        made = reports.of(changed)
        assert made == balance.report(changed)
        assert made is not first
        reports.forget()
    first = reports.of(state)
    now_s += FIGURES_S
    assert reports.of(state) is not first
