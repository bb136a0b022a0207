"""Photos and the drained fluid's condition: what is let in, what comes out, what the job's page says of them."""

import asyncio
import io
import threading
from collections.abc import AsyncIterator, Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from station.bay.plan import PlanForm
from station.bay.views import MarkView
from station.errors import InputError
from station.given.said import Mark
from station.learning import condition
from station.learning.cause import Cause
from station.learning.condition import MAX_BYTES
from station.shop.shop import Causes
from tests.station.shop_rows import at
from tests.web.conftest import CHANGE, Bay
from tests.web.fake_engine import FakeEngine, job_record, measuring
from tests.web.fake_views import JOB_ID, view_of
from web.frame.gate import LARGEST_BODY, SECURITY_HEADERS

PATH = f"/api/jobs/{JOB_ID}/photo"


def picture(kind: str = "JPEG") -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (40, 30), (120, 80, 30)).save(out, kind)
    return out.getvalue()


def post(bay: Bay, data: bytes, kind: str = "image/jpeg", path: str = PATH, **headers: str) -> Any:
    return bay.send("POST", path, content=data, headers={**CHANGE, "Content-Type": kind, **headers})


@pytest.mark.parametrize(("kind", "mime"), [("JPEG", "image/jpeg"), ("PNG", "image/png")])
def test_a_photo_reaches_the_station_byte_for_byte(bay: Bay, kind: str, mime: str) -> None:
    data = picture(kind)
    reply = post(bay, data, mime, f"{PATH}?by=M.%20Okafor&text=magnet")
    assert reply.status_code == 200
    assert bay.engine.calls == [("photo", JOB_ID, data, "M. Okafor", "magnet")]


@pytest.mark.parametrize(
    "kind",
    ["application/json", "image/svg+xml", "image/gif", "image/heic", "text/html", "multipart/form-data", ""],
)
def test_no_other_type_is_taken_for_a_photo(bay: Bay, kind: str) -> None:
    assert post(bay, picture(), kind).status_code == 415
    assert bay.engine.calls == []


@pytest.mark.parametrize("path", ["/api/note", "/api/jobs/photo", f"{PATH}/x", f"/api/jobs//{JOB_ID}/photo"])
def test_no_other_address_takes_a_picture(bay: Bay, path: str) -> None:
    assert post(bay, picture(), path=path).status_code == 415
    assert bay.engine.calls == []


def test_a_photo_may_be_longer_than_a_change_but_not_endless(bay: Bay) -> None:
    assert post(bay, b"\xff" * (LARGEST_BODY + 1)).status_code == 200
    bay.engine.calls.clear()
    assert post(bay, b"", **{"Content-Length": str(MAX_BYTES + 1)}).status_code == 413

    async def pieces() -> AsyncIterator[bytes]:
        yield picture()

    assert (
        bay.send("POST", PATH, content=pieces(), headers={**CHANGE, "Content-Type": "image/jpeg"}).status_code
        == 411
    )
    assert bay.engine.calls == []


@pytest.mark.parametrize(
    "headers",
    [
        {"X-Tallypan": "0"},
        {"Origin": "http://elsewhere.example"},
        {"Origin": "null"},
        {"Host": "elsewhere.example"},
    ],
)
def test_a_foreign_page_puts_no_photo_on_a_job(bay: Bay, headers: Mapping[str, str]) -> None:
    assert post(bay, picture(), **headers).status_code in (403, 421)
    assert bay.engine.calls == []


def test_photos_are_taken_in_one_after_another_and_hold_no_entry_up(
    bay: Bay, monkeypatch: pytest.MonkeyPatch
) -> None:
    at_once, most, go_on = 0, 0, threading.Event()

    def slow(job_id: str, data: bytes, by: str, text: str) -> condition.Photo:
        nonlocal at_once, most
        at_once += 1
        most = max(most, at_once)
        assert go_on.wait(10)
        at_once -= 1
        return condition.Photo(data, "x.jpg", "image/jpeg", 1, 1)

    monkeypatch.setattr(bay.engine.entries, "photo", slow)

    async def together() -> list[int]:
        headers = {**CHANGE, "Content-Type": "image/jpeg"}
        photos = [
            asyncio.create_task(bay.client.post(PATH, content=picture(), headers=headers)) for _ in range(20)
        ]
        await asyncio.sleep(0)
        entry = await bay.client.post("/api/abandon", json={"reason": "wrong vehicle"}, headers=CHANGE)
        go_on.set()
        return [entry.status_code, *(reply.status_code for reply in await asyncio.gather(*photos))]

    assert set(bay.runner.run(together())) == {200}
    assert most == 1


def test_an_empty_photo_and_an_unknown_job_are_refused(bay: Bay) -> None:
    assert post(bay, b"").status_code == 400
    assert post(bay, picture(), path="/api/jobs/no-such-job/photo").status_code == 404
    assert bay.engine.calls == []


def test_a_photo_waits_until_the_pump_is_off(open_bay: Callable[..., Bay]) -> None:
    bay = open_bay(FakeEngine(view_of("fill")))
    assert post(bay, picture()).status_code == 409
    assert bay.engine.calls == []


def test_what_the_station_says_of_a_broken_photo_reaches_the_page(bay: Bay) -> None:
    bay.engine.fail = InputError("the photo is not a whole JPEG or PNG file. Take it again.")
    reply = post(bay, b"no photo")
    assert reply.status_code == 400
    assert "Take it again" in reply.json()["text"]


# --- what comes out ----------------------------------------------------------------------------------------


@pytest.fixture
def noted(open_bay: Callable[..., Bay], tmp_path: Path) -> tuple[Bay, str]:
    """A job with its condition noted and one photo kept; and the photo's name."""
    from station.record.ledger import Ledger

    path = tmp_path / "l.sqlite"
    photo = condition.clean_photo(picture())
    condition.store(condition.folder_of(path), photo)
    ledger = Ledger(path)
    seen = condition.Condition("black", "burnt", "flakes", True, "more than last time")
    ledger.append(JOB_ID, condition.EVENT, seen.to_dict(), at("2026-11-25T09:30:00.000+00:00"))
    ledger.append(
        JOB_ID,
        condition.PHOTO_EVENT,
        photo.event_body("M. Okafor", "<b>magnet</b>"),
        at("2026-11-25T09:31:00+00:00"),
    )
    ledger.close()
    return open_bay(FakeEngine(ledger=path)), photo.name


def test_a_photo_is_served_as_what_it_is_and_never_sniffed(noted: tuple[Bay, str]) -> None:
    bay, name = noted
    reply = bay.send("GET", f"/jobs/{JOB_ID}/photos/{name}")
    assert reply.status_code == 200
    assert reply.headers["Content-Type"] == "image/jpeg"
    assert reply.headers["X-Content-Type-Options"] == "nosniff"
    assert SECURITY_HEADERS["Content-Security-Policy"] == reply.headers["Content-Security-Policy"]
    assert Image.open(io.BytesIO(reply.content)).size == (40, 30)


def test_a_photo_is_found_under_its_own_job_only(noted: tuple[Bay, str]) -> None:
    bay, name = noted
    other = bay.engine.rows[0].job_id
    for path in (
        f"/jobs/{other}/photos/{name}",
        f"/jobs/{JOB_ID}/photos/{'0' * 64}.jpg",
        f"/jobs/none/photos/{name}",
    ):
        assert bay.send("GET", path).status_code == 404
    for escape in ("..%2Fl.sqlite", "%2e%2e", "l.sqlite", f"..%2Fl-photos%2F{name}"):
        assert bay.send("GET", f"/jobs/{JOB_ID}/photos/{escape}").status_code == 404


def test_a_photo_that_was_changed_on_disk_is_not_shown(noted: tuple[Bay, str]) -> None:
    bay, name = noted
    assert bay.engine.ledger is not None
    (condition.folder_of(bay.engine.ledger) / name).write_bytes(picture("PNG"))
    reply = bay.send("GET", f"/jobs/{JOB_ID}/photos/{name}")
    assert reply.status_code == 400
    assert "changed" in reply.json()["text"]


def test_the_job_page_shows_condition_reading_and_photo(noted: tuple[Bay, str]) -> None:
    bay, name = noted
    html = bay.html(f"/jobs/{JOB_ID}").text
    assert f'src="/jobs/{JOB_ID}/photos/{name}"' in html
    for words in (
        "black",
        "burnt",
        "flakes",
        "more than last time",
        "Milky: water in the fluid",
        "M. Okafor",
    ):
        assert words in html
    assert "<b>magnet" not in html
    content = bay.send("GET", f"/jobs/{JOB_ID}.json").json()
    assert content["condition"]["metal"] == "flakes"
    assert [photo["name"] for photo in content["photos"]] == [name]


# --- condition, causes, unit mix-up ------------------------------------------------------------------------

SEEN: dict[str, Any] = {
    "colour": "brown",
    "smell": "usual",
    "metal": "fine paste",
    "milky": False,
    "note": "",
}


def test_the_condition_goes_to_the_open_job_or_to_the_one_named(open_bay: Callable[..., Bay]) -> None:
    bay = open_bay(FakeEngine(view_of("reseal")))
    assert bay.post("/api/condition", SEEN).status_code == 200
    assert bay.post("/api/condition", {**SEEN, "job_id": JOB_ID}).status_code == 200
    assert bay.engine.calls == [("note_condition", JOB_ID, condition.picked(**SEEN))] * 2


def test_a_condition_needs_a_job(bay: Bay) -> None:
    assert bay.post("/api/condition", SEEN).status_code == 409
    assert bay.post("/api/condition", {**SEEN, "job_id": "no-such-job"}).status_code == 404
    assert bay.engine.calls == []


@pytest.mark.parametrize("path", ["/", f"/jobs/{JOB_ID}"])
def test_the_form_offers_the_trades_words(bay: Bay, path: str) -> None:
    html = bay.html(path).text
    for word in (*condition.COLOURS, *condition.SMELLS, *condition.METAL):
        assert f'<option value="{word}">{word}</option>' in html


MIXED = Cause(
    kind="unit_mixup",
    certainty="likely",
    weight=0.973,
    text="2.9 US gallon reads like quarts.",
    numbers={
        "typed": "US gallon",
        "meant": "US quart",
        "listed_l": 10.978,
        "meant_l": 2.744,
        "drained": 2.66,
    },
)


def test_causes_come_with_their_numbers_and_what_settles_it(bay: Bay) -> None:
    bay.engine.records[JOB_ID] = measuring(job_record(), verdict="undecided")
    bay.engine.found = Causes((MIXED,), ("A level check at the plug.",))
    html = bay.html(f"/jobs/{JOB_ID}").text
    for words in ("Unit mix-up", "likely, fits the numbers to 0.97 of 1", "10.98 L", "US quart", "2.66 L"):
        assert words in html
    assert "A level check at the plug." in html
    bay.engine.records[JOB_ID] = job_record()
    assert "A level check at the plug." not in bay.html(f"/jobs/{JOB_ID}").text


def test_a_record_that_cannot_be_judged_is_still_shown(bay: Bay, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(job_id: str) -> None:
        raise InputError("[fluid.drained] is missing.")

    monkeypatch.setattr(bay.engine, "causes", fail)
    html = bay.html(f"/jobs/{JOB_ID}").text
    assert "cannot be judged from this record: [fluid.drained] is missing." in html
    assert "2.864 ± 0.011 L" in html


READY = {"next_marks": (MarkView(Mark.FILL_START, "Start the fill", None),)}


def test_a_fill_refused_for_its_unit_is_a_question_of_its_own(open_bay: Callable[..., Bay]) -> None:
    bay = open_bay(FakeEngine(view_of("reseal", **READY)))
    bay.engine.found = Causes((MIXED,))
    bay.engine.fail = InputError("2.9 US gallon reads like quarts. Confirm it or plan again.")
    reply = bay.post("/api/mark", {"mark": "fill_start"})
    assert reply.status_code == 409
    assert reply.json()["title"] == "Probably another unit"
    assert "reads like quarts" in reply.json()["text"]


@pytest.mark.parametrize(
    ("mark", "changes", "causes"),
    [
        ("fill_start", READY, ()),
        ("fill_start", READY, (replace(MIXED, certainty="possible"),)),
        ("fill_start", {"next_marks": ()}, (MIXED,)),
        ("drain_done", READY, (MIXED,)),
    ],
)
def test_any_other_refusal_stays_a_plain_one(
    open_bay: Callable[..., Bay], mark: str, changes: dict[str, Any], causes: tuple[Cause, ...]
) -> None:
    bay = open_bay(FakeEngine(view_of("reseal", **changes)))
    bay.engine.found = Causes(causes)
    bay.engine.fail = InputError("first: Pan placed")
    assert bay.post("/api/mark", {"mark": mark}).status_code == 400


def test_the_bay_page_asks_for_what_a_confirmation_needs(bay: Bay) -> None:
    html = bay.html("/").text
    assert "The listed capacity is right" in html
    assert "abandon this job" in html


def test_the_plan_form_asks_for_distance_container_and_type(bay: Bay) -> None:
    html = bay.html("/").text
    for name in ("distance", "container", "compartment_type", "grade_reason"):
        assert f'name="{name}"' in html
    assert '<option value="drum 1" data-fluid="gear_75w90">' in html
    assert 'data-type="midibus rear axle"' in html
    form = {
        "compartment": "b12_rear_axle",
        "distance": "123 456 km",
        "container": "drum 1",
        "compartment_type": "x",
        "technician": "J. Lindqvist",
    }
    assert bay.post("/api/job", form).status_code == 200
    assert bay.engine.calls == [("open_job", PlanForm(**form))]


@pytest.mark.parametrize("path", ["/", "/wall", f"/jobs/{JOB_ID}", f"/jobs/{JOB_ID}/sheet"])
def test_the_expected_fill_says_where_it_comes_from(open_bay: Callable[..., Bay], path: str) -> None:
    assert "learned from 6 jobs" in open_bay(FakeEngine(view_of("plan"))).html(path).text
