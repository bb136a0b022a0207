"""What stands on the page in each stage."""

import json

import pytest

from station.bay.views import FaultView, SecondPanView
from station.core.notice import Notice
from tests.web.fake_views import STAGE_VIEWS, pump_of, view_of
from web.frame import format as fmt
from web.live.live import live

STAGES = ["idle", *STAGE_VIEWS]
PANELS = {
    "plan": "panel_plan",
    "drain": "panel_drain",
    "drip": "panel_drain",
    "reseal": "panel_reseal",
    "fill": "panel_fill",
    "settle": "panel_settle",
    "leak watch": "panel_leak",
}


@pytest.mark.parametrize("stage", STAGES)
def test_every_stage_shows_its_own_panel_only(stage: str) -> None:
    shown = live(view_of(stage))
    panels = {name for name, on in shown.flag.items() if on and name.startswith("panel_")}
    assert panels == ({PANELS[stage]} if stage in PANELS else set())
    assert shown.flag["plan_form"] == (stage in ("idle", "closed", "abandoned"))


@pytest.mark.parametrize("stage", STAGES)
def test_every_stage_has_the_same_names_and_plain_json(stage: str) -> None:
    shown, idle = live(view_of(stage)), live(view_of("idle"))
    assert shown.text.keys() == idle.text.keys()
    assert shown.flag.keys() == idle.flag.keys()
    assert shown.html.keys() == idle.html.keys()
    json.dumps(shown.to_dict(), allow_nan=False)


def test_the_drip_says_what_is_to_come_and_whether_waiting_pays() -> None:
    shown = live(view_of("drip"))
    assert shown.text["drained"] == "2.621 ± 0.007 L"
    assert shown.text["to_come"] == "41 ± 12 mL"
    assert shown.text["waiting"] == "Worth waiting about 4 min more."
    assert live(view_of("drip", wait_s=0)).text["waiting"] == "Drip is finished."


def test_the_leak_watch_says_what_it_can_exclude() -> None:
    assert live(view_of("leak watch")).text["leak"] == "No leak above 31 mL/h."
    assert live(view_of("leak watch")).text["leak.measured"].startswith("Measured 4 ± 19 mL/h")
    assert live(view_of("fill")).text["leak"] == live(view_of("fill")).text["leak.measured"] == ""


def test_a_fill_under_way_is_not_judged() -> None:
    assert not live(view_of("fill")).flag["verdict"]
    assert live(view_of("settle")).flag["verdict"]
    assert not live(view_of("abandoned")).flag["verdict"]


def test_a_short_fill_says_so_before_it_is_closed_and_asks_for_a_reason() -> None:
    short: dict[str, object] = {"verdict": "short", "filled_l": 1.92, "level_seen": False}
    settling = live(view_of("settle", **short))
    assert (
        settling.text["reason"]
        == "0.951 ± 0.032 L missing, not topped up, level not seen: top up before the vehicle leaves."
    )
    assert settling.flag["reason_grave"]
    assert not settling.flag["close_reason"]
    watching = live(view_of("leak watch", **short))
    assert watching.flag["close_reason"]
    assert 'name="reason"' in watching.html["steps"]
    assert 'data-mark="close"' not in watching.html["steps"]
    full = live(view_of("leak watch", level_seen=True))
    assert not full.flag["close_reason"]
    assert 'data-mark="close"' in full.html["steps"]
    assert not live(view_of("fill", **short)).flag["reason"]


@pytest.mark.parametrize(
    ("verdict", "word", "sign"), [("full", "Full", "✓"), ("short", "Short", "▼"), ("over", "Over", "▲")]
)
def test_a_verdict_is_a_word_a_shape_and_its_probabilities(verdict: str, word: str, sign: str) -> None:
    text = live(view_of("closed", verdict=verdict, p_short=0.01, p_within=0.03, p_over=0.96)).text
    assert (text["verdict.word"], text["verdict.sign"]) == (word, sign)
    assert "96\u00a0%" in text["verdict.text"]


def test_an_undecided_verdict_says_what_was_needed() -> None:
    text = live(view_of("closed", verdict="undecided", p_short=0.3, p_within=0.7, p_over=0.0)).text
    assert text["verdict.word"] == "Undecided"
    assert "needs 95\u00a0%" in text["verdict.text"]


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({"pump_on": True}, "Pump is running. Letting go stops it."),
        (
            {"pump_on": False, "latched": "no flow", "held": True},
            "Stopped: no flow. Let go, then press again.",
        ),
        ({"pump_on": False, "latched": "target reached", "held": True}, "Stopped: target reached."),
        ({"pump_on": False, "held": False, "blocked": "pan is silent"}, "Pump is blocked: pan is silent."),
        ({"pump_on": False, "held": False}, "Pump is off. Press and hold to run."),
        (
            {"pump_on": False, "held": False, "to_go_l": 0.002},
            "Target reached. Top up if the level at the plug asks for it.",
        ),
        (
            {"pump_on": False, "held": False, "to_go_l": 0.012, "pump": pump_of(too_little_left=True)},
            "What is left is less than the pump can give. Top up if the level at the plug asks for it.",
        ),
        (
            {"pump_on": False, "held": False, "to_go_l": 0.002, "overflow_l": 0.3},
            "Fluid ran over at the plug. Do not top up before it has run off and the level was looked at.",
        ),
    ],
)
def test_the_page_says_why_the_pump_does_not_run(changes: dict[str, object], text: str) -> None:
    assert live(view_of("fill", **changes)).text["pump"] == text


def test_a_running_pump_shows_its_stop_in_any_stage() -> None:
    shown = live(view_of("settle", pump_on=True))
    assert shown.flag["dock"]
    assert shown.flag["pump_on"]
    assert not shown.flag["hold"]


def test_what_stands_is_told_on_bay_and_wall() -> None:
    shown = live(view_of("idle", standing=("The disk is nearly full: 80 MB free.",)))
    assert "nearly full: 80 MB" in shown.html["standing"]
    assert live(view_of("idle")).html["standing"].strip() == ""


def test_a_job_that_was_given_up_is_told_from_one_that_was_closed() -> None:
    """On the wall it stood as a filled volume alone, as a closed one stands."""
    assert [live(view_of(stage)).flag["given_up"] for stage in ("closed", "abandoned", "idle")] == [
        False,
        True,
        False,
    ]


def test_faults_name_the_device_in_words() -> None:
    shown = live(view_of("fill", faults=(FaultView("fluid_supply_c", "unplugged"),)))
    assert "Thermometer, supply: unplugged" in shown.html["faults"]
    assert shown.flag["fault"]


def test_newest_notices_lead_and_older_ones_are_counted() -> None:
    notices = tuple(Notice("gap", f"notice {n}", 812.0, n == 6) for n in range(7))
    html = live(view_of("drain", notices=notices)).html["notices"]
    assert html.index("notice 6") < html.index("notice 5")
    assert "notice 2" not in html
    assert "3 earlier notices stand" in html
    assert "Stops the pump" in html


def test_texts_from_the_bay_cannot_become_markup() -> None:
    bad = "<script>alert(1)</script>"
    notices = (Notice("gap", bad, 812.0),)
    shown = live(view_of("drain", notices=notices, faults=(FaultView(bad, bad),)))
    assert "<script" not in "".join(shown.html.values())


def test_the_clock_of_a_job_of_ten_litres_and_more_keeps_its_length() -> None:
    assert live(view_of("fill", to_go_l=12.345)).text["to_go.number"] == "12.35"


def test_a_restart_in_mid_job_asks_its_question_on_the_page_until_it_is_answered() -> None:
    asked = live(view_of("fill", interruption="Was the pan moved?"))
    assert asked.flag["interruption"]
    assert "Was the pan moved?" in asked.html["interruption"]
    assert asked.html["interruption"].count("data-interruption") == 4
    calm = live(view_of("fill"))
    assert not calm.flag["interruption"]
    assert calm.html["interruption"].strip() == ""


def test_a_second_pan_stands_beside_the_first_wherever_the_pan_is_shown() -> None:
    alone = live(view_of("drain"))
    assert alone.text["pan_b"] == ""
    shown = live(view_of("drain", pan_b=SecondPanView(402.0, 3.1)))
    assert shown.text["pan"] == alone.text["pan"]
    assert shown.text["pans"] == f"{alone.text['pan']} · second pan {fmt.mass(402.0)}"
    assert (
        shown.text["pan_flow"]
        == f"{alone.text['pan_flow']} · second pan {fmt.mass(402.0)}, {fmt.mass_flow(3.1)}"
    )
    assert shown.now["pan_b_kg"] == 0.402
    silent = live(view_of("drain", pan_b=SecondPanView(None)))
    assert silent.text["pans"] == f"{alone.text['pan']} · second pan {fmt.mass(None)}"
    assert silent.now["pan_b_kg"] is None
