"""Short and over fills, charts with their limits, and recurrences beyond chance; too little data says so."""

import csv
import io
import json
import math
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from calibration.certificates import Certificate, Reference
from station.__main__ import main
from station.commands import shop as commands
from station.errors import InputError
from station.learning import charts, quality
from station.learning.chance import chance
from station.learning.charts import ENOUGH, chart
from station.learning.quality import calibration_due, subject_chart
from station.shop import audit
from tests.station.shop_rows import at, shop

SPRING = ("2026-03-01", "2026-06-01")


def steady(n: int, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(n)


def rules(values: list[float]) -> set[str]:
    return {signal.rule for signal in chart(values, centre=0.0, sigma=1.0).signals}


QUIET = [0.5, -0.5] * 12  # nothing here makes a pattern


def test_too_few_values_have_no_limits_and_no_signals() -> None:
    shown = chart([100.0] + [0.0] * (ENOUGH - 2))
    assert (shown.n, shown.enough, shown.ucl, shown.signals) == (ENOUGH - 1, False, None, ())
    assert shown.text == "n = 19: too few for limits, 20 are needed."
    assert chart([]).n == 0
    assert chart(QUIET).enough


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_a_value_beyond_three_sigma_is_signalled_on_either_side(side: float) -> None:
    assert rules(QUIET) == set()
    values = [*QUIET, 0.0, side * 3.1]
    found = [s.index for s in chart(values, centre=0.0, sigma=1.0).signals if s.rule == "beyond"]
    assert found == [len(values) - 1]
    assert "beyond" not in rules([*QUIET, 0.0, side * 2.9])


def test_a_small_lasting_shift_is_seen_by_the_moving_average() -> None:
    shifted = [*steady(40), *(steady(30, 2) + 1.2)]
    found = [s.index for s in chart(shifted, centre=0.0, sigma=1.0).signals if s.rule == "ewma"]
    assert found
    assert min(found) >= 40


def run_length(shift: float, runs: int) -> float:
    """Mean number of values until the chart of known limits says anything, over runs of 600; told as if it went on alike."""
    draws = np.random.default_rng(4).standard_normal((runs, 600)) + shift
    first = [
        min((s.index + 1 for s in chart(x, centre=0.0, sigma=1.0).signals), default=0) for x in draws.tolist()
    ]
    return sum(i or 600 for i in first) / sum(i > 0 for i in first)


def test_steady_values_are_signalled_once_in_245_and_a_lasting_shift_after_20() -> None:
    """In control 370 values for three sigma alone (e-Handbook, from memory); the average beside it takes a third of that."""
    assert run_length(0.0, 400) == pytest.approx(245.0, rel=0.15)
    assert run_length(0.68, 400) == pytest.approx(20.0, rel=0.15)
    beyond = [
        s for s in chart(steady(20_000, 4).tolist(), centre=0.0, sigma=1.0).signals if s.rule == "beyond"
    ]
    assert len(beyond) / 20_000 == pytest.approx(0.0027, abs=0.0012)


def test_limits_come_from_the_moving_range_so_a_slow_drift_does_not_widen_them() -> None:
    drifting = steady(100) + np.linspace(0.0, 10.0, 100)
    shown = chart(drifting.tolist())
    assert shown.sigma == pytest.approx(1.0, rel=0.2)
    assert shown.sigma < 0.5 * drifting.std()
    assert chart([5.0] * 30).signals == ()


def test_what_creeps_in_later_moves_no_limit_and_is_dated() -> None:
    """The first hundred make the limits, an odd one among them left out; then the values sink by three sigma in all."""
    sound = [*steady(60).tolist(), 40.0, *steady(59, 2).tolist()]
    shown = charts.from_baseline([*sound, *(steady(80, 3) - np.linspace(0.0, 3.0, 80)).tolist()])
    alone = charts.from_baseline(sound[: charts.BASELINE])
    assert (shown.centre, shown.sigma) == (alone.centre, alone.sigma)
    assert shown.centre is not None
    assert shown.centre == pytest.approx(0.0, abs=0.3)
    assert shown.sigma == pytest.approx(1.0, rel=0.2)
    began = charts.changed_at(shown)
    assert began is not None
    assert len(sound) - 5 <= began <= len(sound) + 35
    assert all(average < shown.centre for average in shown.ewma[began:])
    assert charts.changed_at(charts.from_baseline(steady(120, 5).tolist())) is None


def test_values_that_are_not_finite_are_refused() -> None:
    with pytest.raises(ValueError, match="finite"):
        chart([1.0, math.nan])
    with pytest.raises(ValueError, match="sigma is -1"):
        chart(QUIET, sigma=-1.0)


@pytest.mark.parametrize(
    ("jobs", "short", "n", "k"),
    [
        (120, 6, 60, 5),
        (120, 6, 6, 4),
        (25_000, 500, 900, 40),
        (10, 4, 8, 2),
        (965_000, 88_000, 482_500, 44_100),  # of a company: its terms are very many
        (965_000, 88_000, 482_500, 43_900),
    ],
)
def test_chance_agrees_with_scipy(jobs: int, short: int, n: int, k: int) -> None:
    """scipy.stats.hypergeom.sf, an independent implementation."""
    stats = pytest.importorskip("scipy.stats")
    assert chance(jobs, short, n, k) == pytest.approx(
        float(stats.hypergeom.sf(k - 1, jobs, short, n)), rel=1e-8
    )


def test_chance_of_no_surprise_is_one() -> None:
    assert chance(100, 10, 20, 0) == pytest.approx(1.0)
    assert chance(50, 0, 50, 0) == pytest.approx(1.0)
    assert chance(20, 4, 20, 4) == pytest.approx(1.0)  # a shop of one bay cannot differ from itself


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """120 fills; Bus 3's transfer case came up short 4 times of 6, everything else once in a while."""
    draw = np.random.default_rng(9)
    jobs = []
    for i in range(120):
        odd = i % 20 == 7
        short = (odd and i < 80) or i in (5, 50)
        filled_l = 2.87 - (0.2 + i / 1000 if short else float(draw.normal(0.0, 0.01)))
        verdict = "short" if short else "undecided" if i in (11, 12) else "over" if i == 13 else "full"
        jobs.append(
            {
                "opened_utc": f"2026-{3 + i // 40:02d}-{1 + i % 28:02d}T{i // 10:02d}:{i % 60:02d}:00.000+00:00",
                "filled_l": 3.05 if i == 13 else 2.79 if i in (11, 12) else filled_l,
                "verdict": verdict,
                "vehicle": "Bus 3" if odd else f"Bus {20 + i % 10}",
                "compartment": "transfer case" if odd else "rear axle",
                "compartment_type": "transfer" if odd else "axle",
                "technician": "M. Okafor" if i % 2 else "J. Lindqvist",
                "bay": "Bay 2" if i % 12 == 0 else "Bay 1",
                "level_seen": int(i != 11),
            }
        )
    jobs += [
        {"opened_utc": "2026-04-05", "verdict": "short", "filled_l": 0.1, "stage": "abandoned"},
        {"opened_utc": "2026-07-05", "verdict": "short", "filled_l": 0.1},
    ]
    shop(tmp_path / "l.sqlite", *jobs).close()
    return tmp_path / "l.sqlite"


def open_(path: Path) -> quality.Quality:
    from station.record.ledger import Ledger

    ledger = Ledger(path, read_only=True)
    try:
        return quality.quality(ledger, *SPRING)
    finally:
        ledger.close()


def test_short_and_over_fills_are_ranked_worst_first_within_the_period(path: Path) -> None:
    got = open_(path)
    assert got.jobs == 120
    off = [fill.deviation_percent for fill in got.short]
    assert len(off) == 6
    assert off == sorted(off)
    assert off[0] == pytest.approx(100.0 * -(0.2 + 0.067) / 2.87)
    assert [fill.deviation_l for fill in got.over] == [pytest.approx(0.18)]


def test_undecided_fills_say_what_would_settle_them(path: Path) -> None:
    by_level = {fill.job_id: fill.settled_by or () for fill in open_(path).undecided}
    assert len(by_level) == 2
    assert by_level["j12"][0].startswith("A level check")
    assert not by_level["j13"][0].startswith("A level check")
    assert any("top-up of 0.080 L" in text for text in by_level["j13"])


def test_what_recurs_beyond_chance_is_named_and_nothing_else(path: Path) -> None:
    got = open_(path)
    assert {(s.dimension, s.name) for s in got.recurring} == {
        ("compartment", "Bus 3 / transfer case"),
        ("compartment type", "transfer"),
    }
    bus = next(s for s in got.subjects if s.name == "Bus 3 / transfer case")
    assert (bus.jobs, bus.short) == (6, 4)
    technicians = [s for s in got.subjects if s.dimension == "technician"]
    assert sum(s.jobs for s in technicians) == 120


def test_charts_cover_every_dimension_and_say_when_n_is_too_small(path: Path) -> None:
    shown = {(c.dimension, c.name): c.chart for c in open_(path).charts}
    assert {dimension for dimension, _ in shown} == set(quality.CHARTED)
    assert shown["bay", "Bay 1"].enough
    assert shown["bay", "Bay 2"].n == 10
    assert "too few" in shown["bay", "Bay 2"].text
    assert {"beyond", "ewma"} <= {s.rule for s in shown["compartment type", "axle"].signals}


def test_one_subjects_chart_is_in_the_order_of_the_record(path: Path) -> None:
    from station.record.ledger import Ledger

    ledger = Ledger(path, read_only=True)
    one = subject_chart(ledger, "technician", "M. Okafor")
    places = [int(job_id.removeprefix("j")) for job_id in one.job_ids]
    assert places == sorted(places)
    assert list(one.utcs) != sorted(one.utcs), "the rows were entered in another order than their times'"
    assert len(one.job_ids) == one.chart.n == 60  # of 61: one level was not proved
    assert subject_chart(ledger, "technician", "nobody").chart.n == 0
    with pytest.raises(InputError, match="no charts per 'mood'"):
        subject_chart(ledger, "mood", "x")
    ledger.close()


def test_command_prints_json_csv_and_one_chart(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    use = ["quality", "--ledger", str(path), "--since", SPRING[0], "--until", SPRING[1]]
    assert main([*use, "--json"]) == 0
    whole = json.loads(capsys.readouterr().out)
    assert (len(whole["short"]), len(whole["undecided"]), whole["jobs"]) == (6, 2, 120)
    assert main([*use, "--csv"]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert [row["verdict"] for row in rows].count("short") == 6
    assert main([*use, "--chart", "bay", "Bay 1", "--csv"]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert any("beyond" in row["signals"] for row in rows)
    assert main(use) == 0
    assert "Bay 2: n = 10: too few" in capsys.readouterr().out
    assert main(["quality", "--ledger", str(path), "--since", "yesterday"]) == 2
    assert main([*use, "--chart", "mood", "x"]) == 2


def paper(
    number: str,
    instrument: str,
    until: str,
    made: str = "2026-01-05T08:00:00+00:00",
    replaces: str | None = None,
) -> Certificate:
    return Certificate(
        number=number,
        kind="meter",
        instrument=instrument,
        made_at=made,
        made_by="S. Adebayo-Reyes",
        valid_until=until,
        references=(Reference("pan", 0.44, 0.0001, "kg", "Bay 1 pan 1"),),
        conditions={},
        data={},
        result={},
        statement="invented",
        replaces=replaces,
    )


def test_calibration_due_takes_the_newest_certificate() -> None:
    papers = [
        paper("1", "M1", "2026-12-31", "2026-02-01T08:00:00+00:00"),
        paper("2", "M1", "2026-01-31"),
        paper("3", "M2", "2026-03-20"),
        paper("4", "M3", "2026-01-31"),
        paper("5", "M5", "2026-12-31"),
        paper(
            "6", "M5", "2026-04-01", "2026-02-02T08:00:00+00:00", replaces="5"
        ),  # measured again, for less long
    ]
    due = calibration_due([("meter", f"M{i}") for i in (1, 2, 3, 4, 5)], papers, "2026-03-10")
    assert [(x.instrument, x.certificate, x.state, x.days_left) for x in due] == [
        ("M4", None, "none", None),
        ("M3", "4", "overdue", -38),
        ("M2", "3", "due soon", 10),
        ("M5", "6", "due soon", 22),
        ("M1", "1", "ok", 296),
    ]


def test_the_command_names_overdue_calibrations(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The demo bay is called Bay 1; a certificate stands in the ledger as the calibration desk writes it."""
    ledger = shop(tmp_path / "l.sqlite")
    held = paper("Bay 1 meter 1", "Bay 1 meter", "2026-01-31")
    ledger.append(
        None, "certificate", {"certificate": held.to_json(), "sha256": held.digest}, at("2026-01-05")
    )
    ledger.close()
    use = ["quality", "--ledger", str(tmp_path / "l.sqlite")]
    assert main([*use, "--json"]) == 0
    due = {x["instrument"]: x for x in json.loads(capsys.readouterr().out)["calibration_due"]}
    assert due["Bay 1 pan"]["state"] == "none"
    assert (due["Bay 1 meter"]["state"], due["Bay 1 meter"]["valid_until"]) == ("overdue", "2026-01-31")
    assert main([*use, "--csv", "--list", "calibration"]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert {row["instrument"]: row["state"] for row in rows} == {one: due[one]["state"] for one in due}
    assert main(use) == 0
    assert "Bay 1 meter 1" in capsys.readouterr().out


def test_a_fill_belongs_to_the_shops_own_day_across_a_change_of_clocks(tmp_path: Path) -> None:
    """In Oslo 2026-03-29 begins at 23:00 UTC the day before and ends at 22:00 UTC, one hour short."""
    ledger = shop(
        tmp_path / "l.sqlite",
        *(
            {"opened_utc": utc, "verdict": "short"}
            for utc in (
                "2026-03-28T22:59:59.999+00:00",
                "2026-03-28T23:00:00.000+00:00",
                "2026-03-29T21:59:59.999+00:00",
                "2026-03-29T22:00:00.000+00:00",
            )
        ),
    )
    oslo = ZoneInfo("Europe/Oslo")
    day = quality.quality(ledger, "2026-03-29", "2026-03-30", oslo)
    assert (day.jobs, day.to_dict()["time_zone"]) == (2, "Europe/Oslo")
    assert {
        (row["job_id"], row["day"], row["time_zone"]) for row in quality.table(day, [], "fills", oslo)[1]
    } == {
        ("j2", "2026-03-29", "Europe/Oslo"),
        ("j3", "2026-03-29", "Europe/Oslo"),
    }
    assert quality.quality(ledger, "2026-03-29", "2026-03-30").jobs == 2  # j3, j4 in UTC
    ledger.close()


def test_the_commands_lists_are_those_that_there_are() -> None:
    assert commands.AUDIT_TABLES == audit.TABLES
    assert commands.QUALITY_TABLES == quality.TABLES
