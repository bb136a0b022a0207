"""What each change asks of the engine, and how a refusal reads."""

from collections.abc import Callable
from typing import Any

import pytest

from station.bay.plan import PlanForm
from station.errors import InputError, StationError
from tests.web.conftest import CHANGE, Bay
from tests.web.fake_engine import FakeEngine
from tests.web.fake_views import JOB_ID


@pytest.mark.parametrize(
    ("path", "body", "call"),
    [
        ("/api/check", {"key": "hot", "done": False}, ("check", "hot", False)),
        ("/api/mark", {"mark": "drain_open"}, ("mark", "drain_open")),
        ("/api/mark", {"mark": "drain_done", "ask": True}, ("mark", "drain_done", True)),
        (
            "/api/mark",
            {"mark": "close", "reason": "waiting for fluid"},
            ("mark", "close", "waiting for fluid"),
        ),
        ("/api/top-up", {}, ("top_up",)),
        (
            "/api/note",
            {"kind": "torque", "text": "drain plug 30 N·m"},
            ("note", "torque", "drain plug 30 N·m"),
        ),
        ("/api/answer", {"step": "s1", "answer": "object"}, ("answer", "s1", "object")),
        ("/api/interruption", {"pan_moved": True, "filled": False}, ("answer_interruption", True, False)),
        ("/api/abandon", {"reason": "seized plug"}, ("abandon", "seized plug")),
        ("/api/bench", {"verb": "kick"}, ("bench", "kick")),
        ("/api/hold", {"held": True, "grip": "g1"}, ("hold", True)),
        ("/api/hold", {"held": False, "grip": "g1"}, ("hold", False)),
    ],
)
def test_a_change_reaches_the_engine_as_it_was_sent(
    bay: Bay, path: str, body: dict[str, Any], call: tuple[Any, ...]
) -> None:
    assert bay.post(path, body).status_code == 200
    assert bay.engine.calls == [call]


def test_opening_a_job_hands_on_what_was_filled_in_and_returns_its_id(bay: Bay) -> None:
    body = {
        "compartment": "b12_rear_axle",
        "capacity": "9.7 US pint",
        "technician": "J. Lindqvist",
        "vehicle": "",
        "tolerance_plus": "100 mL",
    }
    reply = bay.post("/api/job", body)
    assert reply.json() == {"done": True, "job_id": JOB_ID}
    filled_in = PlanForm(
        "b12_rear_axle", capacity="9.7 US pint", technician="J. Lindqvist", tolerance_plus="100 mL"
    )
    assert bay.engine.calls == [("open_job", filled_in)]


def test_nobody_opens_a_job_without_a_name(bay: Bay) -> None:
    reply = bay.post("/api/job", {"compartment": "b12_rear_axle", "technician": " "})
    assert reply.status_code == 400
    assert "Technician: pick or type" in reply.json()["text"]
    assert bay.engine.calls == []


def test_stop_stops_whoever_holds_and_ends_the_pages_hold(bay: Bay) -> None:
    bay.post("/api/hold", {"held": True, "grip": "g1"})
    assert bay.post("/api/stop", {}).status_code == 200
    assert bay.engine.calls == [("hold", True), ("stop",), ("hold", False)]
    again = bay.post("/api/hold", {"held": True, "grip": "g1"})
    assert again.status_code == 409
    assert bay.engine.calls[-1] == ("hold", False)


def test_stop_lets_go_even_where_the_engine_cannot_answer(bay: Bay) -> None:
    bay.post("/api/hold", {"held": True, "grip": "g1"})

    def failing() -> None:
        raise StationError("The station did not answer in time.")

    bay.engine.stop = failing  # type: ignore[method-assign]
    assert bay.post("/api/stop", {}).status_code == 503
    assert bay.engine.calls[-1] == ("hold", False)


@pytest.mark.parametrize(
    ("error", "status"),
    [
        (InputError("capacity is '2.9'; expected a volume with its unit."), 400),
        (StationError("No answer in time."), 503),
    ],
)
def test_a_refusal_is_told_in_the_engines_words(bay: Bay, error: Exception, status: int) -> None:
    bay.engine.fail = error
    reply = bay.post("/api/mark", {"mark": "drain_open"})
    assert reply.status_code == status
    assert reply.json()["text"] == str(error)


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("/api/mark", {}),
        ("/api/mark", {"mark": ""}),
        ("/api/mark", {"mark": 3}),
        ("/api/mark", {"mark": "x" * 81}),
        ("/api/mark", {"mark": "drain_open", "t_s": 5}),
        ("/api/mark", []),
        ("/api/mark", None),
        ("/api/check", {"key": "hot", "done": "true"}),
        ("/api/check", {"key": "hot", "done": 1}),
        ("/api/hold", {"held": True}),
        ("/api/hold", {"held": None, "grip": "g1"}),
        ("/api/stop", {"pump": "on"}),
        ("/api/job", {"compartment": {"key": "b12_rear_axle"}}),
        ("/api/job", {"compartment": "x" * 201}),
    ],
)
def test_what_is_not_understood_changes_nothing_and_says_where(bay: Bay, path: str, body: Any) -> None:
    reply = bay.post(path, body)
    assert reply.status_code == 422
    assert reply.json().keys() == {"status", "title", "text"}
    assert bay.engine.calls == []


@pytest.mark.parametrize(
    ("path", "body", "told"),
    [
        ("/api/mark", {"mark": "done"}, "mark is 'done'; expected one of: 'pan_placed', 'stands_level'"),
        ("/api/answer", {"step": "s1", "answer": "bolt"}, "answer is 'bolt'; expected one of: 'fluid' or 'object'"),
        ("/api/override", {"kind": "no_flow", "reason": "please"}, "kind is 'no_flow'; expected one of: 'wrong_grade'"),
    ],
)  # fmt: skip
def test_a_word_that_is_none_is_told_with_those_that_are(
    bay: Bay, path: str, body: dict[str, str], told: str
) -> None:
    reply = bay.post(path, body)
    assert reply.status_code == 422
    assert told in reply.json()["text"]
    assert bay.engine.calls == []


@pytest.mark.parametrize("text", [b"", b"{", b"\xff\xfe", b'{"mark": "drain_open"', b"NaN", b"[" * 20_000])
def test_broken_json_is_refused(bay: Bay, text: bytes) -> None:
    reply = bay.send("POST", "/api/mark", content=text, headers=CHANGE)
    assert 400 <= reply.status_code < 500
    assert bay.engine.calls == []


def test_the_bench_is_out_of_reach_on_a_real_bay(open_bay: Callable[..., Bay]) -> None:
    bay = open_bay(FakeEngine(backend="pi"))
    assert bay.post("/api/bench", {"verb": "kick"}).status_code == 404
    assert bay.engine.calls == []
