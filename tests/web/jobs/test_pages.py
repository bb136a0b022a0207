"""Pages as a browser gets them."""

import csv
import dataclasses
import html
import io
import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest

from station.bay.plan import PlanForm
from station.common.distance import parse_distance_km
from station.common.units import parse_volume_l
from station.errors import StationError
from tests.station.shop_rows import shop
from tests.web.conftest import Bay
from tests.web.fake_engine import FakeEngine, job_record
from tests.web.fake_views import JOB_ID, STAGE_VIEWS, view_of
from web.calibrating import calibration_contexts, commissioning, register
from web.frame.gate import SECURITY_HEADERS
from web.frame.problem import Problem
from web.frame.render import HERE
from web.jobs import contexts, sheet
from web.live import components
from web.live import contexts as live_contexts
from web.people import people_pages, sign_in
from web.shop import (
    changes_page,
    fills,
    fleet_pages,
    moves,
    quality_chart,
    quality_pages,
    setup_pages,
    usage_contexts,
)

STAGES = ["idle", *STAGE_VIEWS]
SHOP = ["/usage", "/quality", "/quality/chart?of=bay&name=Bay%201", "/due"]
PAGES = [
    "/",
    "/wall",
    "/wall?dark",
    "/jobs",
    f"/jobs/{JOB_ID}",
    f"/jobs/{JOB_ID}/sheet",
    "/calibration",
    "/commissioning",
    "/commissioning/label",
    "/sign-in",
    "/people",
    "/changes",
    *SHOP,
]


@pytest.mark.parametrize("path", ["/", "/wall"])
@pytest.mark.parametrize("stage", STAGES)
def test_live_pages_render_in_every_stage(open_bay: Callable[..., Bay], stage: str, path: str) -> None:
    reply = open_bay(FakeEngine(view_of(stage))).html(path)
    assert reply.status_code == 200
    assert f'data-stage="{stage}"' in reply.text


@pytest.mark.parametrize(
    "path", [*PAGES, "/jobs/unknown", "/nowhere", "/static/base.css", "/jobs.json", "/favicon.ico"]
)
def test_every_reply_carries_the_security_headers(bay: Bay, path: str) -> None:
    reply = bay.html(path)
    for name, value in SECURITY_HEADERS.items():
        assert reply.headers[name] == value, name
    assert reply.headers["Cache-Control"] in ("no-store", "no-cache")


@pytest.mark.parametrize("path", PAGES)
def test_pages_hold_nothing_inline_and_nothing_from_elsewhere(bay: Bay, path: str) -> None:
    html = bay.html(path).text
    assert not re.findall(r"<script(?![^>]*\bsrc=)", html)
    assert not re.findall(r"<style|\sstyle=|\son\w+=|javascript:", html)
    assert not re.findall(r"(?:src|href)=\"(?:https?:)?//", html)
    for address in re.findall(r"(?:src|href)=\"(/static/[^\"]+)\"", html):
        assert bay.send("GET", address).status_code == 200, address


def test_static_files_reach_for_nothing_outside() -> None:
    for path in (path for path in (HERE / "static").rglob("*") if path.suffix in (".js", ".css", ".svg")):
        text = path.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        if path.parent.name == "vendor":  # a library names its home in its first comment
            text = re.sub(r"^/\*!.*?\*/", "", text)
        assert not re.search(r"https?://|@import|url\((?!#)", text), path.name


CONTEXTS = {
    "bay.html": live_contexts.BayPage,
    "wall.html": live_contexts.WallPage,
    "components.html": components.ComponentsPage,
    "jobs.html": contexts.JobsPage,
    "job.html": contexts.JobPage,
    "sheet.html": sheet.SheetPage,
    "calibration.html": calibration_contexts.CalibrationPage,
    "commissioning.html": commissioning.CommissioningPage,
    "label.html": commissioning.Label,
    "certificate.html": register.CertificatePage,
    "usage.html": usage_contexts.UsagePage,
    "entries.html": moves.EntriesPage,
    "due.html": fleet_pages.DuePage,
    "expected.html": fleet_pages.ExpectedPage,
    "quality.html": quality_pages.QualityPage,
    "quality_fills.html": fills.FillsPage,
    "quality_chart.html": quality_chart.ChartPage,
    "setup.html": setup_pages.SetupPage,
    "changes.html": changes_page.ChangesPage,
    "sign_in.html": sign_in.SignInPage,
    "people.html": people_pages.PeoplePage,
    "error.html": Problem,
}


@pytest.mark.parametrize(("template", "context"), CONTEXTS.items())
def test_a_template_uses_all_that_its_page_declares_and_no_more(template: str, context: type) -> None:
    text = (HERE / "templates" / template).read_text(encoding="utf-8")
    used = set(re.findall(r"\bpage\.(\w+)", text))
    assert used == {field.name for field in dataclasses.fields(context)}


def test_every_mark_of_what_moves_has_a_value(bay: Bay) -> None:
    from web.live.live import live

    shown = live(view_of("fill"))
    for path in ("/", "/wall"):
        html = bay.html(path).text
        assert set(re.findall(r'data-text="([^"]+)"', html)) <= shown.text.keys()
        assert set(re.findall(r'data-show="([^"]+)"', html)) <= shown.flag.keys()
        assert set(re.findall(r'data-html="([^"]+)"', html)) <= shown.html.keys()
        assert set(re.findall(r'data-geo="([^"]+)"', html)) <= shown.geo.keys() | {"timer"}


def test_the_simulated_badge_and_bench_are_there_only_when_simulated(open_bay: Callable[..., Bay]) -> None:
    simulated, real = open_bay(), open_bay(FakeEngine(backend="pi"))
    for path in ("/", "/wall"):
        assert "badge simulated" in simulated.html(path).text
        assert "badge simulated" not in real.html(path).text
    assert 'id="bench"' in simulated.html("/").text
    assert 'id="bench"' not in real.html("/").text
    assert real.send("GET", "/bench/truth.json").status_code == 404
    assert simulated.send("GET", "/bench/truth.json").json() == simulated.engine.truth()


def test_the_bay_page_carries_the_cautions(bay: Bay) -> None:
    html = bay.html("/").text
    for words in (
        "Hot fluid",
        "Rated stands",
        "Used oil on skin",
        "running pump",
        "service manual",
        "not an emergency stop",
    ):
        assert words in html


def test_the_plan_form_offers_the_list_with_what_is_listed(bay: Bay) -> None:
    html = bay.html("/").text
    assert (
        'value="b12_transfer" data-capacity="1.9 US quart" data-method="drain plug" data-grade="ATF"' in html
    )
    assert "Another vehicle or compartment" in html


def test_each_tile_says_when_its_compartment_was_last_done(
    open_bay: Callable[..., Bay], tmp_path: Path
) -> None:
    path = tmp_path / "l.sqlite"
    shop(path, {"vehicle": "Bus 12", "compartment": "rear axle"}).close()
    text = re.sub(r"<[^>]+>", " ", open_bay(FakeEngine(ledger=path)).html("/").text)
    assert re.search(r"Bus 12 +rear axle +[^·]+· 75W-90 +last done 2026-03-1\d", text)
    assert re.search(r"Bus 12 +transfer case [^·]+· ATF +no job on record", text)


def test_the_list_is_paged_by_the_last_job_shown(open_bay: Callable[..., Bay]) -> None:
    bay = open_bay(FakeEngine(jobs=120))
    first = bay.html("/jobs").text
    older = re.search(r'/jobs\?before=([^"]+)"', first)
    assert older is not None
    assert older[1] == bay.engine.rows[49].job_id
    second = bay.html(f"/jobs?before={older[1]}").text
    assert bay.engine.rows[50].job_id in second
    assert bay.engine.rows[49].job_id not in re.findall(r'/jobs/([^"]+)"', second)
    last = bay.html(f"/jobs?before={bay.engine.rows[99].job_id}").text
    assert ">Older<" not in last
    assert 'href="/jobs.csv"' in last  # the files hold the whole list, whatever page is shown


def test_the_jobs_of_one_vehicle_are_listed_by_themselves(open_bay: Callable[..., Bay]) -> None:
    bay = open_bay(FakeEngine(jobs=120))
    name = 'Bus 9 & "co", ü'
    bay.engine.rows = [
        replace(row, vehicle=row.vehicle if n % 2 else name) for n, row in enumerate(bay.engine.rows)
    ]
    first = bay.html(f"/jobs?{urlencode({'vehicle': name})}").text
    ids = re.findall(r'href="/jobs/([^"]+)"', first)
    assert ids == [row.job_id for row in bay.engine.rows[:100:2]]
    older = re.search(r'href="(/jobs\?[^"]+before=[^"]+)"', first)
    assert older is not None
    second = bay.html(html.unescape(older[1])).text
    assert re.findall(r'href="/jobs/([^"]+)"', second) == [row.job_id for row in bay.engine.rows[100::2]]
    file = bay.send("GET", f"/jobs.csv?{urlencode({'vehicle': name, 'limit': 3})}").text
    assert [row["job_id"] for row in csv.DictReader(io.StringIO(file))] == ids[:3]
    assert "No recorded job fits what was asked for." in bay.html("/jobs?vehicle=Bus%2077").text
    assert bay.send("GET", "/jobs.csv?limit=0").status_code == 422


def test_an_empty_list_points_to_the_bay(open_bay: Callable[..., Bay]) -> None:
    assert "No job has been recorded" in open_bay(FakeEngine(jobs=0)).html("/jobs").text


def test_json_twins_carry_the_engines_own_values(bay: Bay) -> None:
    assert bay.send("GET", "/view.json").json() == json.loads(json.dumps(bay.engine.view().to_dict()))
    assert bay.send("GET", "/jobs.json").json() == {"jobs": [row.to_dict() for row in bay.engine.rows]}
    beside: dict[str, Any] = {
        "causes": [],
        "causes_not_judged": None,
        "torque": {"set_up": {"plug": "fill plug behind the fuel tank"}, "noted": ["cover bolts 42 N·m"]},
        "settles": [],
        "condition": None,
        "findings": [],
        "photos": [],
        "reason": None,
    }
    kept = json.loads(json.dumps(bay.engine.records[JOB_ID].to_dict()))
    assert bay.send("GET", f"/jobs/{JOB_ID}.json").json() == {**kept, **beside}


def test_names_from_a_form_cannot_become_markup(bay: Bay) -> None:
    record = job_record()
    bay.engine.records[JOB_ID] = replace(
        record, labels={**record.labels, "vehicle": '"><script>alert(1)</script>'}
    )
    for path in (f"/jobs/{JOB_ID}", f"/jobs/{JOB_ID}/sheet"):
        assert "<script>alert" not in bay.html(path).text


SHAPES: list[tuple[str, Exception | None, int]] = [
    ("/nowhere", None, 404),
    ("/jobs/no-such-job", None, 404),
    ("/jobs", StationError("The ledger cannot be read."), 503),
    ("/jobs", RuntimeError("secret inside"), 500),
]


@pytest.mark.parametrize(("path", "error", "status"), SHAPES)
def test_a_problem_has_one_shape_as_page_and_as_json(
    bay: Bay, monkeypatch: pytest.MonkeyPatch, path: str, error: Exception | None, status: int
) -> None:
    if error is not None:

        def fail(*_: Any) -> None:
            raise error

        monkeypatch.setattr(bay.engine, "jobs", fail)
    as_json, as_page = bay.send("GET", path), bay.html(path)
    content = as_json.json()
    assert content.keys() == {"status", "title", "text"}
    assert as_json.status_code == as_page.status_code == content["status"] == status
    assert content["title"] in as_page.text
    assert "secret inside" not in as_json.text + as_page.text
    assert "Traceback" not in as_json.text + as_page.text


def test_the_icon_is_our_own_and_served_where_browsers_look(bay: Bay) -> None:
    for path in ("/favicon.ico", "/static/favicon.svg"):
        reply = bay.send("GET", path)
        assert reply.headers["Content-Type"].startswith("image/svg+xml")


def test_no_page_needs_more_than_the_vocabulary_of_stages(bay: Bay) -> None:
    stages = ["plan", "drain", "drip", "reseal", "fill", "settle", "leak watch", "closed"]
    html = bay.html("/").text
    found = re.findall(r'<span class="name">([^<]+)</span>', html)
    assert sorted(found) == sorted(stages)


def test_view_json_is_plain_json(bay: Bay) -> None:
    json.loads(bay.send("GET", "/view.json").text, parse_constant=lambda name: pytest.fail(name))


def test_templates_are_all_reached() -> None:
    templates = {path.name for path in Path(HERE / "templates").glob("*.html")}
    named = set()
    for path in [*(HERE / "templates").glob("*.html"), *HERE.rglob("*.py")]:
        named |= set(re.findall(r'"(\w+\.html)"', path.read_text(encoding="utf-8")))
    assert templates == named


def test_a_plan_says_before_the_job_whether_the_fluid_is_there(bay: Bay) -> None:
    reply = bay.post("/api/plan", {"compartment": "b12_rear_axle", "grade": ""}).json()
    assert bay.engine.calls == [("plan_preview", PlanForm("b12_rear_axle"))]
    assert reply["plan"]["supply"]["text"] in reply["html"]
    assert "<strong>2.871 ± 0.029 L</strong> expected, listed" in reply["html"]
    assert "Listed capacity: 2.9 L = 6.13 US pint = 3.06 US quart." in reply["html"]
    cautions = re.findall(r'<p class="caution-box">.*?</span> (.*?)</p>', reply["html"])
    assert cautions == [reply["plan"]["pan"], reply["plan"]["supply"]["text"]]


def test_what_the_plan_form_shows_as_an_example_is_taken(bay: Bay) -> None:
    html = bay.html("/").text
    (distance,) = re.findall(r'name="distance"[^>]*placeholder="([^"]+)"', html)
    (capacity,) = re.findall(r'name="capacity"[^>]*placeholder="([^"]+)"', html)
    assert parse_distance_km(distance) == 122300.0
    assert parse_volume_l(capacity) == 2.9
