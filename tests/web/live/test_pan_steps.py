"""The question "fluid or a thing?" on the bay page, and what a record says of each step."""

from dataclasses import replace

import pytest

from station.given.report import PanStep
from station.record.archive import Entry, JobRecord
from tests.web.conftest import Bay
from tests.web.fake_engine import FakeEngine, job_record, measuring
from tests.web.fake_views import JOB_ID, pan_row, view_of
from tests.web.fake_views import pan_step as step
from web.jobs.sheet import sheet_page
from web.live import pan_steps
from web.live.live import live

UTC = "2026-11-25T12:03:20+00:00"


def test_a_gulp_is_asked_about_with_its_time_its_weight_and_two_answers() -> None:
    shown = live(view_of("drip", steps=(step(),)))
    assert shown.flag["asked"]
    assert not shown.flag["told"]
    html = shown.html["asked"]
    assert ":03 the pan gained 48 g at once. Fluid, or something laid in it?" in html
    assert 'data-step="s1" data-answer="fluid"' in html
    assert 'data-step="s1" data-answer="object"' in html
    assert 'aria-pressed="true"' not in html


@pytest.mark.parametrize(("word", "label"), [("fluid", "Fluid"), ("object", "Something laid in it")])
def test_an_answer_is_shown_and_may_be_changed(word: str, label: str) -> None:
    shown = live(view_of("reseal", steps=(step(says=word),)))
    assert not shown.flag["asked"]
    assert shown.flag["told"]
    html = shown.html["told"]
    assert html.count('aria-pressed="true"') == 1
    pressed = html.split('aria-pressed="true"')
    assert pressed[0].endswith(f'data-answer="{word}" ')
    assert label in pressed[1].split("</button>")[0]
    assert html.count("data-answer") == 2


@pytest.mark.parametrize(
    ("kind", "text"),
    [("object", "Taken for a thing, not counted"), ("flush", "Taken for solvent, not counted")],
)
def test_what_was_taken_out_can_be_claimed_as_fluid_without_being_asked(kind: str, text: str) -> None:
    shown = live(view_of("drip", steps=(step(kind),)))
    assert not shown.flag["asked"]
    assert text in shown.html["told"]
    assert 'data-answer="fluid"' in shown.html["told"]


def test_what_is_in_no_figure_is_not_asked_about() -> None:
    shown = live(
        view_of(
            "reseal",
            steps=(
                step("pan_lifted"),
                step("object", may_answer=False),
            ),
        )
    )
    assert not shown.flag["asked"]
    assert not shown.flag["told"]


def test_nothing_is_asked_once_the_job_is_over() -> None:
    shown = live(view_of("closed", steps=(step(),)))
    assert not shown.flag["asked"]


def test_a_step_from_before_a_restart_is_told_by_the_jobs_own_clock() -> None:
    assert (
        "At 412 s of this job the pan gained" in live(view_of("drip", steps=(step(utc=None),))).html["asked"]
    )


def record(*steps: PanStep, answers: tuple[str, ...] = ()) -> JobRecord:
    job = measuring(job_record(), steps=steps)
    seen = tuple(Entry(UTC, "step", f"{s.id}: {s.kind}") for s in steps)
    return replace(job, events=(*job.events, *seen, *(Entry(UTC, "answer", text) for text in answers)))


def test_the_record_says_what_each_step_was_taken_for_and_by_whom() -> None:
    job = record(
        pan_row(says="fluid"),
        pan_row("object", id="s2", kg=0.02, counted_kg=0.0),
        pan_row("gulp", id="s3", says="object"),
        answers=("s1:object", "s1:fluid"),
    )
    rows = pan_steps.came(job, job.measured.steps)
    assert [row.taken for row in rows] == [
        "Fluid, counted",
        "Taken for a thing, not counted",
        "Something laid in it, not counted",
    ]
    assert rows[0].by.startswith("answered at the bay, 2026-11-25")
    assert "technician of the job: M. Okafor" in rows[0].by
    signed = tuple(
        replace(event, by="J. Lindqvist") if event.kind == "answer" else event for event in job.events
    )
    said = pan_steps.came(replace(job, events=signed), job.measured.steps)[0].by
    assert said.endswith(", by J. Lindqvist"), "whoever was signed in answered, whosever job it is"
    assert rows[1].by == "the station, nobody answered"
    assert rows[2].by == "answered in the job's file"
    assert rows[1].what == "+20 g, landed at once"


def test_the_job_page_lists_the_steps(bay: Bay) -> None:
    bay.engine.records[JOB_ID] = record(pan_row("object", id="s2", kg=0.02, counted_kg=0.0))
    html = bay.html(f"/jobs/{JOB_ID}").text
    assert "+20 g, landed at once" in html
    assert "Taken for a thing, not counted" in html


@pytest.mark.parametrize(
    ("steps", "text"),
    [
        ((), "nothing but fluid"),
        ((pan_row("object", counted_kg=0.0),), "1 taken for things, not counted"),
        ((pan_row(says="fluid", counted_kg=0.048),), "1 counted; 1 as the technician said"),
    ],
)
def test_the_sheet_says_in_a_line_what_was_not_fluid(steps: tuple[PanStep, ...], text: str) -> None:
    engine = FakeEngine()
    engine.records[JOB_ID] = record(*steps)
    assert sheet_page(engine, JOB_ID).back.on_pan_said == text


def test_a_step_on_the_second_pan_is_told_by_its_name() -> None:
    html = live(view_of("drip", steps=(step(id="b1"),))).html["asked"]
    assert "Second pan: At" in html
