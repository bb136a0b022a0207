"""Pictures of numbers stay to scale and inside their drawing."""

import re

import pytest

from web.frame import pictures
from web.frame.pictures import Point, Series, step_of


@pytest.mark.parametrize("high", [0.003, 0.7, 1.0, 4.1, 99.0, 100.1, 12345.0])
@pytest.mark.parametrize("parts", [2, 3, 5])
def test_a_step_is_round_and_cuts_into_few_parts(high: float, parts: int) -> None:
    step = step_of(high, parts)
    assert high / step <= parts
    assert high / step > parts / 5
    assert f"{step:.1e}"[:3] in ("1.0", "2.0", "2.5", "5.0")


def test_columns_stand_on_zero_to_one_scale() -> None:
    drawn = pictures.columns(
        "t", "s", "/f", "L", ["Jan", "Feb"], [Series("in", [10.0, 0.0]), Series("out", [5.0, -2.5])]
    )
    first, _, second, below = drawn.bars
    zero = next(tick.at for tick in drawn.ticks if tick.text == "0.0")
    assert first.height == pytest.approx(2 * second.height, abs=0.2)
    assert first.y + first.height == pytest.approx(zero, abs=0.11)
    assert below.y == pytest.approx(zero, abs=0.11)  # what is less than nothing hangs below
    assert [key for key, _ in drawn.key] == ["solid", "hollow"]
    assert all(bar.y >= 0 and bar.y + bar.height <= pictures.TALL for bar in drawn.bars)


def test_bars_rank_names_and_gather_the_rest() -> None:
    values = [(f"Bus {n}", float(n), f"/jobs?vehicle=Bus+{n}") for n in range(20)]
    drawn = pictures.bars("t", "s", "/f", values, lambda value: f"{value:g} L")
    assert [row.name for row in drawn.rows][:2] == ["Bus 19", "Bus 18"]
    assert drawn.rows[-1].name == "7 others"  # and nothing of the one that has none
    assert drawn.rows[-1].text == f"{sum(range(1, 8))} L"
    assert max(row.bar.x + row.bar.width for row in drawn.rows) <= pictures.WIDTH - pictures.VALUE_WIDTH


def test_a_level_goes_in_steps_and_marks_its_counts() -> None:
    ends = [("2026-03-01T00:00:00+00:00", "a"), ("2026-03-31T00:00:00+00:00", "b")]
    points = [
        Point(ends[0][0], 50.0, 2.0),
        Point("2026-03-16T00:00:00+00:00", 30.0),
        Point(ends[1][0], 20.0, 1.0),
    ]
    drawn = pictures.level("t", "s", "/f", points, ends, 60.0)
    middle = (pictures.LEFT + pictures.WIDTH - pictures.RIGHT) / 2
    assert [float(x) for x in re.findall(r"[MH]([\d.]+)", drawn.line)] == pytest.approx(
        [pictures.LEFT, middle, pictures.WIDTH - pictures.RIGHT]
    )
    opening, closing = drawn.counts
    assert opening.bottom - opening.top == pytest.approx(2 * (closing.bottom - closing.top), abs=0.2)
    assert drawn.top_line is not None
    assert drawn.top_line < opening.y < closing.y
