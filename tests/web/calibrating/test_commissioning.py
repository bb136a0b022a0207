"""The commissioning page: what stands on it, and what each of its buttons does."""

import json
import re
from collections.abc import Callable
from typing import Any

import pytest

from station.bay.commissioning import Step
from station.errors import LedgerError
from tests.web.conftest import Bay
from tests.web.fake_engine import FakeEngine
from web.calibrating.commissioning import cards_of


def turn(bay: Bay, **body: str) -> Any:
    return bay.post("/api/commissioning", body)


def card(bay: Bay, step: Step) -> Any:
    return next(one for one in cards_of(bay.engine) if one.key == step)


def test_each_step_stands_on_the_page_with_its_state(bay: Bay) -> None:
    html = bay.html("/commissioning").text
    assert [f"{n}. " in html for n in range(1, 9)] == [True] * 8
    assert card(bay, Step.PAN).state == "done", "its certificate is in force"
    assert card(bay, Step.METER).state == "open", "its certificate ran out"
    assert "press on the pan with a hand" in html
    addresses = [link[0] for link in card(bay, Step.PAPERS).links]
    assert [address.split("/")[1] for address in addresses] == ["calibration", "calibration", "commissioning"]
    assert all(f'href="{address}"' in html for address in addresses)


def test_a_step_is_said_to_be_done_or_left_out_with_a_reason(bay: Bay) -> None:
    assert turn(bay, what="done", step="papers", remark="label printed").status_code == 200
    assert card(bay, Step.PAPERS).state == "done: label printed"
    assert turn(bay, what="left", step="pump", remark="").status_code == 400
    assert turn(bay, what="left", step="pump", remark="no pump yet").status_code == 200
    assert card(bay, Step.PUMP).state == "left out: no pump yet"
    assert [call[1]["what"] for call in bay.engine.calls] == ["done", "left"]
    assert turn(bay, what="anew").status_code == 200
    assert card(bay, Step.PUMP).state == "open"


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ({"what": "done", "step": "pan"}, "ticks the step"),
        ({"what": "done"}, "Say which step"),
        ({"what": "rest", "phase": "full"}, "expected empty or loaded"),
        ({"what": "done", "step": "stops"}, "Not tried yet: Pendant"),
    ],
)
def test_what_cannot_be_is_refused_with_a_sentence(bay: Bay, body: dict[str, str], said: str) -> None:
    reply = turn(bay, **body)
    assert reply.status_code == 400
    assert said in json.dumps(reply.json())


def test_hands_stand_on_the_page_where_devices_are_simulated(open_bay: Callable[..., Bay]) -> None:
    engine = FakeEngine()
    verbs = re.findall(r'data-bench="(\w+)"', open_bay(engine).html("/commissioning").text)
    assert {"weight_2kg", "blow_meter", "warm_air", "stop_pressed"} <= set(verbs)
    assert not {"weight_b_2kg", "container_pressed"} & set(verbs), "this bay has neither"
    engine.commissioning.wanted = (*engine.commissioning.wanted, "pan_b", "container")
    both = open_bay(engine).html("/commissioning").text
    assert all(f'data-bench="{verb}"' in both for verb in ("weight_b_2kg", "container_pressed"))
    assert "Second pan loaded" in both
    assert "data-bench" not in open_bay(FakeEngine(backend="pi")).html("/commissioning").text


def test_while_the_station_looks_the_page_looks_anew(bay: Bay) -> None:
    assert "data-again" not in bay.html("/commissioning").text
    try:
        assert turn(bay, what="rest", phase="empty").status_code == 200
        assert 'data-again="2"' in bay.html("/commissioning").text
        assert bay.send("GET", "/commissioning.json").json()["watching"] == "empty"
        assert turn(bay, what="look").status_code == 400
        assert turn(bay, what="end").status_code == 400, "a moment shows nothing"
        assert bay.send("GET", "/commissioning.json").json()["watching"] == ""
    finally:
        bay.engine.commissioning.close()


def test_a_full_disk_is_told(bay: Bay) -> None:
    bay.engine.fail = LedgerError("The record takes nothing.")
    assert turn(bay, what="done", step="name").status_code == 503
    assert card(bay, Step.NAME).state == "open"


def test_the_label_says_what_the_bay_measures_with_and_where_its_page_is(bay: Bay) -> None:
    html = bay.html("/commissioning/label").text
    for words in (
        "Bay 1 pan 1",
        "2099-11-02",
        "3f2a 91c0",
        "<svg",
        "Not legal for trade",
        'id="print"',
        "sheet.js",
    ):
        assert words in html
