"""One job's page and its sheet as a browser gets them, and what can be downloaded of it."""

import re
from dataclasses import replace

import pytest

from station.given.pump_run import PumpRun
from tests.web.conftest import Bay
from tests.web.fake_engine import CHECKPOINT, job_record, measuring
from tests.web.fake_views import JOB_ID


def test_the_job_page_shows_figures_budget_notices_and_events(bay: Bay) -> None:
    html = bay.html(f"/jobs/{JOB_ID}").text
    for words in (
        "2.621 ± 0.007 L",
        "18 ± 6 mL",
        "2.864 ± 0.011 L",
        "K-factor",
        "u = 5.6 mL",
        'width="76.0%"',
    ):
        assert words in html
    for words in ("The figures join", "drain open", "cover bolts 42 N·m", "recording.csv", "JOB.toml"):
        assert words in html


def test_every_figure_of_a_job_unfolds_to_what_stands_behind_it(bay: Bay) -> None:
    page = bay.html(f"/jobs/{JOB_ID}").text
    figures = page[page.index('<table class="figures">') :].partition("</table>")[0]
    rows = figures.count("<tr>")
    assert rows >= 8
    assert (
        figures.count('<details class="about">') >= rows - 1
    )  # all but the leak's bare number, which its row explains
    assert "API MPMS 11.1" in figures


def test_the_job_page_says_what_happened_and_lists_each_run_of_the_pump(bay: Bay) -> None:
    bay.engine.records[JOB_ID] = measuring(
        job_record(),
        verdict="short",
        filled_l=1.92,
        level_seen=False,
        topped_up=False,
        leak_watched_s=4.0,
        leak_watch_s=180.0,
        pump_runs=(
            PumpRun(900.0, 0.98, 1.0, 2.871, "no flow"),
            PumpRun(960.0, 1.9, 1.921, 2.871, "let go"),
        ),
    )
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", bay.html(f"/jobs/{JOB_ID}").text))
    sentence = "Stopped by hand 0.95 L before the target, not topped up, level not seen, leak watch ended after 4 s: top up"
    assert sentence in text
    assert "For the technician" in text
    assert "1 0.00 to 1.00 L No flow 2.87 L 1.87 L 20 mL" in text
    assert "2 1.00 to 1.92 L Let go 2.87 L 0.95 L 21 mL" in text
    assert "Nothing out of the ordinary" not in text
    told = bay.send("GET", f"/jobs/{JOB_ID}.json").json()["reason"]
    assert told["text"].startswith(sentence)
    assert (told["kind"], told["who"], told["grave"]) == ("short", "technician", True)


def test_the_sheet_states_what_a_customer_needs(bay: Bay) -> None:
    html = bay.html(f"/jobs/{JOB_ID}/sheet").text
    for words in (
        "2.621 ± 0.007 L",
        "2.864 ± 0.011 L",
        "2.871 ± 0.029 L",
        "2.77 to 2.97 L",
        "at 20 °C",
        "Full",
    ):
        assert words in html
    for words in (
        "cover bolts 42 N·m",
        "yes, at the fill plug",
        "No leak above 14 mL/h",
        "signature",
        "Not legal for trade",
        "Simulated bay: no vehicle was served.",
        "by J. Lindqvist",
        "Saltings Community Buses",
        *CHECKPOINT.splitlines(),
    ):
        assert words in html


def test_the_page_says_who_did_each_thing(bay: Bay) -> None:
    html = bay.html(f"/jobs/{JOB_ID}").text
    assert re.search(r"<td>torque: cover bolts 42 N·m</td><td>J\. Lindqvist</td>", html)
    assert re.search(r"Opened</th><td>[^<]*, by M\. Okafor", html)


def test_a_checkpoint_is_read_byte_for_byte_and_missing_where_there_is_none(
    bay: Bay, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert bay.send("GET", f"/jobs/{JOB_ID}/checkpoint").text == CHECKPOINT
    monkeypatch.setattr(bay.engine, "checkpoint", lambda job_id: None)
    assert bay.send("GET", f"/jobs/{JOB_ID}/checkpoint").status_code == 404
    assert "Signed when closed" not in bay.html(f"/jobs/{JOB_ID}/sheet").text


def test_the_sheet_counts_the_notices_it_has_no_room_for(bay: Bay) -> None:
    bay.engine.records[JOB_ID] = job_record(notices=11)
    assert "6 more in the job" in bay.html(f"/jobs/{JOB_ID}/sheet").text


@pytest.mark.parametrize("name", ["drained_l", "filled_l", "overflow_l", "metered_l", "p_within"])
def test_a_job_without_a_figure_still_has_its_page_and_sheet(bay: Bay, name: str) -> None:
    nothing = {n: None for n in (name, f"{name[:-2]}_u95_l") if n != "p_with_u95_l"}
    bay.engine.records[JOB_ID] = measuring(job_record(), **nothing)
    for path in (f"/jobs/{JOB_ID}", f"/jobs/{JOB_ID}/sheet"):
        reply = bay.html(path)
        assert reply.status_code == 200
        assert "None" not in re.sub(r"<p>None( noted)?\.</p>", "", reply.text)


def test_a_job_that_measured_nothing_has_no_verdict(bay: Bay) -> None:
    figures = "drained metered overflow filled still_to_come".split()
    nothing = {f"{name}{part}": None for name in figures for part in ("_l", "_u95_l")}
    record = measuring(job_record(stage="abandoned"), **nothing, budgets={}, notices=())
    bay.engine.records[JOB_ID] = replace(record, labels={})
    html = bay.html(f"/jobs/{JOB_ID}/sheet").text
    assert "No verdict" in html
    assert "This job was abandoned." in html


@pytest.mark.parametrize(("file", "kind"), [("recording.csv", "text/csv"), ("JOB.toml", "application/toml")])
def test_recording_and_job_can_be_downloaded(bay: Bay, file: str, kind: str) -> None:
    reply = bay.send("GET", f"/jobs/{JOB_ID}/{file}")
    assert reply.headers["Content-Type"].startswith(kind)
    assert f'filename="simulated-{JOB_ID}.' in reply.headers["Content-Disposition"]


@pytest.mark.parametrize("path", ["", "/sheet", ".json", "/recording.csv", "/JOB.toml", "/checkpoint"])
def test_an_unknown_job_is_not_found(bay: Bay, path: str) -> None:
    reply = bay.send("GET", f"/jobs/no-such-job{path}")
    assert reply.status_code == 404
    assert reply.json()["title"] == "No such job"


def test_times_of_a_job_that_began_before_the_clock_was_set_are_put_right(bay: Bay) -> None:
    """By its step; a job that was closed after it has its own time, and its sheet the right day."""
    unset = replace(job_record(), clock_synced=False, times_off_s=86400.0)
    bay.engine.records[JOB_ID] = replace(unset, closed_synced=False, closed_off_s=86400.0)
    text = bay.html(f"/jobs/{JOB_ID}").text
    assert "2026-11-26 09:15" in text
    assert "the clock was set later; it said 2026-11-25 09:15" in text
    assert "the clock was set later; it said 2026-11-25 10:05" in text
    assert "2026-11-26" in bay.html(f"/jobs/{JOB_ID}/sheet").text.partition("Done by")[0]
    bay.engine.records[JOB_ID] = replace(unset, closed_utc="2026-11-26T10:05:00+00:00")
    text = bay.html(f"/jobs/{JOB_ID}").text
    assert "2026-11-26 09:15" in text
    assert "2026-11-26 10:05 UTC, by J. Lindqvist" in text, "the step that came before it was added once more"


@pytest.mark.parametrize(
    ("opened_set", "closed_set", "opened_says", "closed_says"),
    [
        (False, True, "09:15 UTC (clock not set), by M. Okafor", "08:05 UTC, by J. Lindqvist"),
        (True, False, "09:15 UTC, by M. Okafor", "08:05 UTC (clock not set), by J. Lindqvist"),
        (False, False, "09:15 UTC (clock not set), by", "08:05 UTC (clock not set), by"),
        (True, True, "09:15 UTC, by M. Okafor", "08:05 UTC (before opening: clock wrong)"),
    ],
)
def test_a_job_that_was_closed_before_it_was_opened_says_which_clock_was_not_set(
    bay: Bay, opened_set: bool, closed_set: bool, opened_says: str, closed_says: str
) -> None:
    times = replace(job_record(), closed_utc="2026-11-25T08:05:00+00:00")
    bay.engine.records[JOB_ID] = replace(times, clock_synced=opened_set, closed_synced=closed_set)
    for path in (f"/jobs/{JOB_ID}", f"/jobs/{JOB_ID}/sheet"):
        text = bay.html(path).text
        assert opened_says in text, path
        assert closed_says in text, path
