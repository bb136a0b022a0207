"""The quality lead's pages over a real ledger: ranked fills, what recurs, charts, calibration due."""

import csv
import io
import itertools
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest

from station.learning import quality
from station.learning.charts import RULES, chart
from tests.station.shop_rows import shop
from tests.web.conftest import Bay
from tests.web.fake_engine import FakeEngine
from web.shop import charts

PERIOD = "since=2026-03-01&until=2026-04-01"


def job(n: int, filled_l: float, verdict: str = "full", **more: Any) -> dict[str, Any]:
    utc = f"2026-03-{1 + n // 4:02d}T{8 + n % 4:02d}:00:00.000+00:00"
    return {
        "opened_utc": utc,
        "closed_utc": utc,
        "filled_l": filled_l,
        "verdict": verdict,
        "meter": "Bay 1 meter",
        **more,
    }


def steady(n: int) -> float:
    """2.87 L give or take 0.01 L, by turns."""
    return 2.87 + (0.01 if n % 2 else -0.01) * (1 + n % 3) / 2


JOBS = [
    *(job(n, steady(n)) for n in range(30)),
    job(30, 2.60, "short", technician="J. Lindqvist", vehicle="Bus 3"),
    job(31, 2.70, "short", technician="J. Lindqvist", vehicle="Bus 4"),
    job(32, 3.10, "over"),
    job(33, 2.78, "undecided", level_seen=0, technician="J. Lindqvist"),
]


@pytest.fixture
def march(open_bay: Callable[..., Bay], tmp_path: Path) -> Bay:
    shop(tmp_path / "l.sqlite", *JOBS).close()
    return open_bay(FakeEngine(ledger=tmp_path / "l.sqlite"))


def text_of(bay: Bay, path: str) -> str:
    reply = bay.html(path)
    assert reply.status_code == 200, reply.text
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", reply.text)).replace("\u00a0", " ")


def test_short_and_over_fills_are_ranked_by_how_far_off_they_are(march: Bay) -> None:
    text = text_of(march, f"/quality?{PERIOD}")
    assert text.index("Bus 3 · rear axle") < text.index("Bus 4 · rear axle")
    assert "−9.4 %" in text  # 2.60 of 2.87
    assert "+8.0 %" in text  # 3.10 of 2.87
    assert "Closed jobs 34 Short 2 Over 1 Undecided 1" in text


def test_each_listed_fill_says_what_happened_and_what_comes_next(march: Bay) -> None:
    text = text_of(march, f"/quality?{PERIOD}")
    assert "0.270 ± 0.033 L missing: top up before the vehicle leaves." in text
    assert "more than expected: with the vehicle level, let the excess run out at the plug" in text
    assert "L below the expected fill, level not seen: look at the level at the plug" in text
    rows = list(csv.DictReader(io.StringIO(march.send("GET", f"/quality.csv?{PERIOD}").text)))
    assert all(row["reason"] for row in rows)


def test_an_undecided_fill_comes_with_what_would_settle_it(march: Bay) -> None:
    text = text_of(march, f"/quality?{PERIOD}")
    assert "A level check: stand the vehicle level" in text


def test_a_compartment_that_recurs_is_named_with_its_numbers(
    open_bay: Callable[..., Bay], tmp_path: Path
) -> None:
    jobs = [job(n, 2.87) for n in range(60)] + [job(60 + n, 2.6, "short", vehicle="Bus 3") for n in range(5)]
    shop(tmp_path / "l.sqlite", *jobs).close()
    text = text_of(open_bay(FakeEngine(ledger=tmp_path / "l.sqlite")), f"/quality?{PERIOD}")
    assert "compartment Bus 3 / rear axle 5 5 below 0.0001" in text


def test_nothing_recurs_where_short_fills_are_few(march: Bay) -> None:
    assert "too few to tell" in text_of(march, f"/quality?{PERIOD}")


@pytest.mark.parametrize("of", ["bay", "meter", "technician", "compartment type"])
def test_every_dimension_has_its_charts(march: Bay, of: str) -> None:
    html = march.html(f"/quality?{PERIOD}&of={of}").text
    assert f"Control charts per {of}" in html
    assert "Individuals of" in html


def test_a_chart_shows_n_limits_and_its_marks(march: Bay) -> None:
    html = march.html(f"/quality?{PERIOD}").text
    assert re.search(r"n = 33, centre [−+]?\d\.\d.%, limits −\d+\.\d.% to \+\d+\.\d.%\.", html)
    for title in ("Individuals", "Moving range", "EWMA"):
        assert f">{title}</text>" in html
    assert f"<title>{RULES['beyond']}, job j31</title>" in html


def test_few_values_get_no_limits_and_a_plain_statement(march: Bay) -> None:
    html = march.html(f"/quality?{PERIOD}&of=technician").text
    mine = html[html.index("<strong>J. Lindqvist</strong>") :]
    mine = mine[: mine.index("</figure>")]
    assert "n = 2: too few for limits, 20 are needed." in mine
    assert 'class="limits" d=""' in mine
    assert "EWMA" not in mine


def test_no_word_on_the_page_blames(march: Bay) -> None:
    for path in (f"/quality?{PERIOD}&of=technician", "/quality/chart?of=technician&name=J.%20Lindqvist"):
        text = text_of(march, path).lower()
        assert "not through whom" in text
        for word in ("offender", "blame", "culprit", "guilty", "fault of", "careless", "mistake", "worst"):
            assert word not in text


def test_calibration_due_says_when_there_is_no_certificate(march: Bay) -> None:
    assert "no certificate" in text_of(march, f"/quality?{PERIOD}")
    kinds = [one["kind"] for one in march.send("GET", "/quality.json").json()["calibration_due"]]
    assert sorted(kinds) == ["meter", "pan"]


def test_json_and_csv_carry_the_same_fills(march: Bay) -> None:
    content = march.send("GET", f"/quality.json?{PERIOD}").json()
    rows = list(csv.DictReader(io.StringIO(march.send("GET", f"/quality.csv?{PERIOD}").text)))
    assert [row["job_id"] for row in rows] == ["j31", "j32", "j33", "j34"]
    assert [row["job_id"] for row in content["short"]] == ["j31", "j32"]
    assert content["undecided"][0]["settled_by"]
    assert content["jobs"] == 34


def test_one_chart_has_its_page_its_json_and_its_csv(march: Bay) -> None:
    of = "of=meter&name=Bay%201%20meter"
    assert "The newest 30 values" in text_of(march, f"/quality/chart?{of}")
    content = march.send("GET", f"/quality/chart.json?{of}").json()
    rows = list(csv.DictReader(io.StringIO(march.send("GET", f"/quality/chart.csv?{of}").text)))
    assert content["n"] == len(rows) == 33  # one level was not proved
    assert [float(row["deviation_percent"]) for row in rows] == pytest.approx(content["values"], abs=0.005)
    assert "beyond" in rows[30]["signals"]


def test_a_meter_is_charted_against_what_the_next_job_drains(march: Bay) -> None:
    of = urlencode({"of": quality.NEXT_DRAIN})
    text = text_of(march, f"/quality?{PERIOD}&{of}")
    assert "(filled − drained) / drained, what the next job drained of what a job had filled" in text
    assert "34 jobs in the period" in text
    name = urlencode({"name": "Bay 1 meter"})
    values = march.send("GET", f"/quality/chart.json?{of}&{name}").json()["values"]
    assert values[0] == pytest.approx(100.0 * (JOBS[0]["filled_l"] / 2.85 - 1.0))


def test_a_chart_nobody_has_values_for_is_empty_and_says_so(march: Bay) -> None:
    text = text_of(march, "/quality/chart?of=bay&name=Bay%209")
    assert "n = 0: too few for limits" in text


@pytest.mark.parametrize(
    "path",
    [
        "/quality?since=yesterday",
        f"/quality?{PERIOD}&of=mood",
        "/quality/chart?of=mood&name=x",
        "/quality?until=1",
    ],
)
def test_a_wrong_period_or_dimension_is_explained(bay: Bay, path: str) -> None:
    reply = bay.html(path)
    assert reply.status_code == 400
    assert "expected" in reply.text


# --- geometry ----------------------------------------------------------------------------------------------


def numbers(path: str) -> list[tuple[float, float]]:
    return [(float(x), float(y)) for x, y in re.findall(r"[ML]([-\d.]+) ([-\d.]+)", path)]


def test_points_and_limits_share_one_scale() -> None:
    values = tuple(float(v) for v in [0, 1] * 12)
    drawn = chart(values)
    panel = charts.panels(drawn, [f"j{i}" for i in range(24)])[0]
    points = numbers(panel.line)
    upper, lower = sorted(y for _, y in numbers(panel.limits))
    assert drawn.ucl is not None
    assert drawn.lcl is not None
    per_unit = (lower - upper) / (drawn.ucl - drawn.lcl)
    for (_, y), value in zip(points, values, strict=True):
        assert y == pytest.approx(upper + (drawn.ucl - value) * per_unit, abs=0.11)
    assert [x for x, _ in points] == sorted({x for x, _ in points})


@pytest.mark.parametrize(
    "values", [[0.0] * 40, [1e6] * 30, [float(i) for i in range(200)], [0.0] * 30 + [-90.0]]
)
def test_everything_stays_inside_the_drawing(values: list[float]) -> None:
    for panel in charts.panels(chart(values), [f"j{i}" for i in range(len(values))]):
        for path in (panel.line, panel.limits, panel.centre, panel.zones):
            for x, y in numbers(path):
                assert charts.LEFT <= x <= charts.RIGHT
                assert 0 <= y <= panel.height
        heights = [label.y for label in panel.labels]
        assert all(b - a >= charts.LABEL_GAP for a, b in itertools.pairwise(heights))
        assert all(0 <= y <= panel.height for y in heights)


def test_a_mark_sits_on_its_value_and_names_its_job() -> None:
    values = [0.1, -0.1] * 15 + [5.0]
    panel = charts.panels(chart(values), [f"j{i}" for i in range(31)])[0]
    mark = next(mark for mark in panel.marks if mark.job_id == "j30")
    assert (mark.x, mark.y) == numbers(panel.line)[30]
    assert mark.sign == charts.DIAMOND
    assert RULES["beyond"] in mark.text


@pytest.mark.parametrize("n", [1, 5, 40])
def test_every_chart_has_an_axis_with_zero_and_its_tolerance(n: int) -> None:
    drawn = charts.panels(
        chart([2.0 + 0.1 * (i % 3) for i in range(n)]), [f"j{i}" for i in range(n)], (3.5, 3.4), ("a", "b")
    )
    for panel in drawn:
        named = {label.text.replace("\u00a0", " "): label.y for label in panel.axis}
        assert named["0 %"] == float(re.findall(r"M58 ([-\d.]+)H", panel.zero)[0])
        assert len(named) >= 2
        heights = sorted(named.values())
        assert all(b - a >= charts.LABEL_GAP for a, b in itertools.pairwise(heights))
    first = drawn[0]
    assert first.band is not None
    top, height = first.band
    per_percent = height / 6.9
    assert first.ends == ("a", "b")
    assert float(re.findall(r"M58 ([-\d.]+)H", first.zero)[0]) == pytest.approx(
        top + 3.4 * per_percent, abs=0.2
    )


def test_no_values_make_no_drawing() -> None:
    assert charts.panels(chart([]), []) == []


def test_tallies_and_what_is_due_go_out_as_csv(bay: Bay) -> None:
    due = list(csv.DictReader(io.StringIO(bay.send("GET", "/quality.csv?list=calibration").text)))
    assert {row["instrument"]: row["state"] for row in due} == {"Bay 1 pan": "none", "Bay 1 meter": "none"}
    assert bay.send("GET", "/quality.csv?list=subjects").text.startswith("dimension,name,jobs,short")
    reply = bay.send("GET", "/quality.csv?list=moods")
    assert reply.status_code == 400
    assert "expected one of: fills, subjects, calibration" in reply.json()["text"]
