"""The study's short seeded form, and the statistics that its tables rest on."""

from pathlib import Path

import pytest

from tests.study import compare, plots, table
from tests.study.__main__ import FIRST
from tests.study.run import play

# The first of the full study's seeds, none of which was looked at while the estimator was made.
SEEDS = range(FIRST, FIRST + 6)


@pytest.fixture(scope="module")
def rows() -> list[table.Row]:
    return [play(seed) for seed in SEEDS]


def test_a_short_study_meets_what_so_few_jobs_can_show(rows: list[table.Row]) -> None:
    """Of 6, 5 within where the goal is 95 %: fewer has a chance of 3 %; a bias would show at once."""
    print(table.text(rows))
    for figure in ("drained", "filled"):
        rel = [abs(r[f"{figure}_l"] - r[f"{figure}_true_l"]) / r[f"{figure}_true_l"] for r in rows]
        assert sum(x <= 0.004 for x in rel) >= 5
        assert all(x <= 0.01 or set(r["kinds"]) - {"knock"} for x, r in zip(rel, rows, strict=True))
        covered = [abs(r[f"{figure}_l"] - r[f"{figure}_true_l"]) <= r[f"{figure}_u95_l"] for r in rows]
        assert sum(covered) >= 5
    assert [r["texts"] for r in rows if r["undisturbed"] and table.false_kinds(r)] == []
    told = [r for r in rows if r["told_l"] is not None]
    assert len(told) > 3
    near = [abs(r["told_l"] - r["came_l"]) <= max(0.010, 0.15 * r["came_l"]) for r in told]
    assert sum(near) >= 0.9 * len(near)
    drip, bulk = ([b for r in rows for b in r[f"bolts_{where}"]] for where in ("drip", "bulk"))
    assert sum(drip) >= 0.9 * len(drip)
    assert sum(bulk) >= 0.5 * len(bulk)
    over = [r for r in rows if r["overflow_true_l"] > 0.001]
    assert sum(abs(r["overflow_l"] - r["overflow_true_l"]) < 0.010 for r in over) >= 0.9 * len(over)


def test_pictures_and_table_are_written(rows: list[table.Row], tmp_path: Path) -> None:
    written = plots.write(rows, tmp_path)
    assert len(written) == 5
    assert all(path.read_text(encoding="utf-8").count("<circle") > 4 for path in written)
    assert table.text(rows).count("\n") == len(table.lines(rows)) + 1


@pytest.mark.parametrize(
    ("hits", "n", "low", "high"),
    [(0, 10, 0.0, 0.3085), (10, 10, 0.6915, 1.0), (1, 10, 0.0025, 0.4450), (95, 100, 0.8872, 0.9836)],
)
def test_exact_limits_of_a_share(hits: int, n: int, low: float, high: float) -> None:
    """Source: binomial exact limits as in common tables (0 of 10: 30.85 %; 1 of 10: 0.25 to 44.50 %), from memory."""
    assert table.clopper_pearson(hits, n) == pytest.approx((low, high), abs=6e-5)


def test_a_word_that_fluid_runs_over_is_false_only_where_none_did() -> None:
    row = {"kinds": ["runs_over", "object"]}
    assert table.false_kinds({**row, "overflow_true_l": 0.090}) == {"object"}
    assert table.false_kinds({**row, "overflow_true_l": 0.0}) == {"runs_over", "object"}


def test_the_estimator_that_was_kept_is_the_better_one() -> None:
    scores = compare.study(10)
    kept, other = "segmented regression", "Kalman filter"
    for scene in ("bolt", "wrench"):
        ours, theirs = scores[kept, "drip", scene], scores[other, "drip", scene]
        assert ours.found == ours.n
        rms = [sum(e**2 for e in s.errors_kg) / max(1, s.found) for s in (ours, theirs)]
        assert rms[0] < 0.25 * rms[1]
    assert scores[kept, "bulk", "bolt"].found > scores[other, "bulk", "bolt"].found
    for scene in ("nothing", "tool"):
        assert scores[kept, "drip", scene].false == 0
