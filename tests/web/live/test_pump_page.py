"""What the bay page shows and sends of the pump's interlocks, the hose, the container and the bench's new verbs."""

import re
from dataclasses import replace
from typing import Any

import pytest

from station.bay.views import BayView, FaultView, LipView, MarkView, SlugView, SupplyView
from station.core import interlocks, lip
from station.core.interlock_table import TABLE
from station.given.bench import BenchVerb
from station.given.said import Mark
from tests.web.conftest import Bay
from tests.web.fake_views import pump_of, view_of
from web.live.live import live

SUPPLY = SupplyView(
    container="drum 2",
    fluid="atf",
    grade="ATF",
    left_l=38.0,
    left_u95_l=0.76,
    hose_l=0.35,
    hose=(SlugView("Gear oil 75W-90, fresh", "75W-90", 0.3), SlugView("unknown", "", 0.05)),
)


def held(kind: str, stage: str = "fill", **more: Any) -> BayView:
    lock = TABLE[kind]
    pump = pump_of(
        interlock=kind,
        found="what was found",
        remedy=lock.remedy,
        do=lock.do,
        reason_allowed=lock.reason,
        **more,
    )
    return view_of(stage, pump=pump, blocked=lock.word)


@pytest.mark.parametrize("kind", ["hose_holds", "wrong_grade", "supply_cold", "stop_pressed"])
def test_what_holds_the_pump_off_is_shown_with_its_remedy(kind: str) -> None:
    shown = live(held(kind))
    assert shown.flag["held_off"]
    assert shown.text["held.found"] == "what was found"
    assert shown.text["held.remedy"] == TABLE[kind].remedy
    assert shown.text["held.kind"] == kind
    assert shown.flag["reason_allowed"] == (kind in ("hose_holds", "wrong_grade"))


def test_the_line_at_the_thumb_says_what_to_do_about_what_holds_the_pump_off() -> None:
    """Another grade's container in mid-job: the dock said "wrong grade" and no more, and the rest stood out of sight."""
    for kind in interlocks.BEFORE:
        view = replace(held(kind), pump_on=False, held=False)
        assert TABLE[kind].do, f"{kind} says not what to do"
        assert live(view).text["pump"] == f"Pump is blocked: {TABLE[kind].word}. {TABLE[kind].do}"
        stopped = replace(view, latched=TABLE[kind].word)
        assert live(stopped).text["pump"] == f"Stopped: {TABLE[kind].word}. {TABLE[kind].do}"
    assert live(view_of("fill", pump=pump_of(), pump_on=False, held=False)).text["pump"] == (
        "Pump is off. Press and hold to run."
    )


def test_a_free_pump_shows_nothing_of_it() -> None:
    for view in (view_of("idle"), view_of("fill"), view_of("fill", pump=pump_of())):
        flags = live(view).flag
        assert not any(
            flags[f] for f in ("held_off", "reason_allowed", "pump_locked", "purging", "purge_asked")
        )


def test_before_the_fill_only_a_purge_or_a_wrong_container_says_what_holds_it_off() -> None:
    assert not live(held("supply_cold", "plan")).flag["held_off"]
    assert live(held("supply_cold", "plan", purging=True)).flag["held_off"]
    for stage in ("plan", "drain", "drip", "reseal"):
        assert live(held("wrong_grade", stage)).flag["held_off"]
    assert not live(held("wrong_grade", "leak watch")).flag["held_off"]


@pytest.mark.parametrize(
    ("pump", "asked"),
    [
        ({"purge_possible": True, "purge_needed_l": 0.3}, True),
        ({"purge_possible": True, "purge_needed_l": 0.0}, False),
        ({"purge_possible": False, "purge_needed_l": 0.3}, False),
        ({"purge_possible": True, "purge_needed_l": 0.3, "purging": True}, False),
    ],
)
def test_a_purge_is_offered_where_it_is_possible_and_needed(pump: dict[str, Any], asked: bool) -> None:
    assert live(view_of("plan", pump=pump_of(**pump))).flag["purge_asked"] == asked


@pytest.mark.parametrize("stage", ["plan", "drain", "drip", "reseal"])
def test_a_purge_has_the_hold_to_run_of_the_fill(stage: str) -> None:
    before = live(view_of(stage, pump=pump_of(purge_possible=True, purge_needed_l=0.3)))
    assert not before.flag["hold"]
    assert not before.flag["dock"]
    during = live(view_of(stage, pump=pump_of(purging=True, purge_needed_l=0.3, purge_l=0.12, purged_l=0.47)))
    assert during.flag["hold"]
    assert during.flag["dock"]
    assert during.text["purge"] == "0.12 L of 0.30 L"


def test_a_purge_that_is_through_asks_for_no_top_up() -> None:
    off = {"pump_on": False, "held": False, "blocked": None, "latched": None, "to_go_l": 0.004}
    pump = pump_of(purging=True, purge_needed_l=0.35, purged_l=0.346)
    assert "end it with Purge done" in live(view_of("plan", pump=pump, **off)).text["pump"]
    assert "Top up" in live(view_of("fill", pump=pump_of(), **off)).text["pump"]
    refused = live(view_of("plan", pump=pump, **off | {"blocked": "the pump is stopped"})).text["pump"]
    assert refused == "Pump is blocked: the pump is stopped."


def test_a_doubt_is_shown_under_the_pumps_line_as_long_as_it_lasts() -> None:
    shown = live(view_of("fill", pump=pump_of(doubts={"pan": "late", "meter": "still"})))
    assert shown.flag["doubts"]
    assert shown.text["doubts"] == "Pan: no fresh reading. Meter: its reading does not move."
    assert not live(view_of("fill", pump=pump_of())).flag["doubts"]


@pytest.mark.parametrize("stage", ["idle", "fill", "settle"])
def test_a_locked_pump_can_be_cleared_in_a_job_and_between_jobs(stage: str) -> None:
    for fault in ("tripped", "stuck", "bad"):
        assert live(view_of(stage, faults=(FaultView("pump", fault),))).flag["pump_locked"]
    for other in (FaultView("pump", "late"), FaultView("pan", "stuck")):
        assert not live(view_of(stage, faults=(other,))).flag["pump_locked"]


def test_the_supply_says_what_is_left_with_its_doubt_and_what_the_hose_holds() -> None:
    text = live(view_of("plan", supply=SUPPLY)).text
    assert text["drum"] == "drum 2: 38.00 ± 0.76 L left of ATF"
    assert text["hose"] == "0.30 L 75W-90 + 0.05 L unknown"


def test_no_container_and_an_empty_hose_are_said_in_words() -> None:
    text = live(view_of("idle", supply=SupplyView())).text
    assert text["drum"] == "No container at the pump: connect one"
    assert text["hose"] == "empty"


def box(html: str, heading: str) -> str:
    """The caution box under a heading, as HTML."""
    found = [b for b in re.findall(r'<div class="caution-box".*?</div>', html, re.S) if heading in b]
    assert len(found) == 1, heading
    return str(found[0])


@pytest.mark.parametrize("heading", ["The hose holds another fluid", "Purging the hose"])
def test_a_purge_is_cautioned_before_and_while_it_runs(bay: Bay, heading: str) -> None:
    text = box(bay.html("/").text, heading)
    assert "waste vessel" in text
    assert "never in" in text
    assert "the compartment" in text


def test_a_reason_is_no_longer_than_the_station_takes(bay: Bay) -> None:
    """``station.bay.desk`` refuses a reason above 200 characters."""
    assert 'name="reason" maxlength="200"' in box(bay.html("/").text, "The pump is held off")


def test_another_drum_can_be_of_any_fluid_of_the_catalogue(bay: Bay) -> None:
    form = re.search(r'<form id="drum".*?</form>', bay.html("/").text, re.S)
    assert form is not None
    offered = re.findall(r'<option value="(\w+)"', form[0])
    assert offered == [fluid.key for fluid in bay.engine.plan_options().fluids]


@pytest.mark.parametrize(
    ("path", "body", "call"),
    [
        ("/api/purge", {"begin": True}, ("purge", True)),
        ("/api/purge", {"begin": False}, ("purge", False)),
        ("/api/override", {"kind": "hose_holds", "reason": "same"}, ("override", "hose_holds", "same")),
        (
            "/api/drum",
            {"container": "drum 2", "fluid": "atf", "left": "38 L"},
            ("connect_drum", "drum 2", "atf", 38.0),
        ),
        ("/api/clear-pump", {}, ("clear_pump",)),
        ("/api/bench", {"verb": "weld_relay"}, ("bench", BenchVerb.WELD_RELAY)),
    ],
)
def test_each_change_reaches_the_engine(
    bay: Bay, path: str, body: dict[str, Any], call: tuple[Any, ...]
) -> None:
    assert bay.post(path, body).status_code == 200
    assert bay.engine.calls == [call]


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("/api/purge", {}),
        ("/api/purge", {"begin": "true"}),
        ("/api/purge", {"begin": 1}),
        ("/api/override", {"kind": "hose_holds"}),
        ("/api/override", {"kind": "", "reason": "same"}),
        ("/api/drum", {"container": "drum 2", "fluid": "atf", "left": 38}),
        ("/api/drum", {"container": "", "fluid": "atf", "left": "38 L"}),
        ("/api/clear-pump", {"sure": True}),
        ("/api/bench", {"verb": "explode"}),
    ],
)
def test_what_is_not_understood_reaches_no_pump(bay: Bay, path: str, body: Any) -> None:
    assert bay.post(path, body).status_code == 422
    assert bay.engine.calls == []


@pytest.mark.parametrize(
    "verb",
    [
        "hose_in_waste",
        "hose_in_plug",
        "kink_hose",
        "free_hose",
        "suck_air",
        "siphon_on",
        "siphon_off",
        "weld_relay",
        "free_relay",
    ],
)
def test_the_bench_panel_has_the_lines_verbs(bay: Bay, verb: str) -> None:
    assert bay.html("/").text.count(f'data-bench="{verb}"') == 1


def test_what_is_left_in_a_container_has_a_unit(bay: Bay) -> None:
    reply = bay.post("/api/drum", {"container": "drum 2", "fluid": "atf", "left": "much"})
    assert reply.status_code == 400
    assert reply.json()["text"].startswith("What is left: ")
    assert bay.engine.calls == []


def proving(**more: Any) -> LipView:
    return LipView(**{"under_way": True, "steps": 3, "pushed_l": 0.045, "most_l": 0.15, "over_l": 0.012,
                      "proved": False, **more})  # fmt: skip


def test_a_proof_at_the_lip_shows_what_is_left_to_push_and_what_ran_over() -> None:
    off: dict[str, Any] = {"pump_on": False, "blocked": None, "latched": None}
    armed = live(view_of("fill", pump=pump_of(lip=proving(steps=0)), held=False, **off))
    assert armed.text["pump"].startswith("Press and hold to prove at the lip")
    assert "45 of 150 mL pushed" in armed.text["dock.figure"]
    assert "12 mL over the lip so far" in armed.text["dock.missing"]
    assert armed.flag["hold"]
    reading = live(view_of("fill", pump=pump_of(lip=proving()), held=True, **off))
    assert reading.text["pump"].startswith("Reading the pan. Keep holding")
    blocked = off | {"blocked": "the pan is missing"}
    refused = live(view_of("fill", pump=pump_of(lip=proving()), held=True, **blocked))
    assert refused.text["pump"] == "Pump is blocked: the pan is missing."


@pytest.mark.parametrize("held_on", [True, False])
def test_first_fluid_over_the_lip_is_said_as_such_and_asks_for_no_second_press(held_on: bool) -> None:
    over = view_of(
        "fill", pump=pump_of(lip=proving(under_way=False, proved=True)), pump_on=False, blocked=None,
        latched=lip.OVER, held=held_on,
    )  # fmt: skip
    expected = "Stopped: first fluid over the lip." + (" Let go." if held_on else "")
    assert live(over).text["pump"] == expected


def test_the_proof_is_a_button_among_the_next_marks_and_goes_to_the_station(bay: Bay) -> None:
    offered = (
        MarkView(Mark.LEVEL_SEEN, "Level seen at the plug", None),
        MarkView(Mark.LIP_PROOF, "Prove at the lip", None),
    )
    assert 'data-mark="lip_proof"' in live(view_of("fill", next_marks=offered)).html["steps"]
    assert bay.post("/api/mark", {"mark": "lip_proof"}).status_code == 200
    assert bay.engine.calls[0][:2] == ("mark", "lip_proof")


def test_a_sealant_is_spoken_of_with_its_timer_alone(bay: Bay) -> None:
    """A job by suction has neither."""
    panel = bay.html("/").text.partition('data-show="panel_reseal"')[2]
    timer, told, drained = (
        panel.index(one) for one in ('data-show="timer"', "sealant maker", 'class="to-come"')
    )
    assert timer < told < drained
