"""Control charts as drawings: where lines, limits and marks stand. Pure geometry; templates only place it.

A chart stands in up to three panels with one time axis: individuals, moving range, EWMA. Each has its axis at the left, with
zero on it, and the limits named at the right; where fills are judged by a tolerance, its band lies behind the values. A value
that signals is marked by shape as well as by colour; ranges have a limit to read by and signal nothing.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from station.common.words import _
from station.learning.charts import RULES, Chart
from web.frame import format as fmt
from web.frame.pictures import step_of

WIDTH = 400.0
LEFT, RIGHT = 58.0, 334.0
"""Between them lie the values; left of them stands the axis, right of them the limits."""
TALL, LOW = 156.0, 104.0
PAD = 18.0
LABEL_GAP = 15.0
Tolerance = tuple[float, float]
"""Below and above the expected fill, in percent of it."""
DIAMOND = "◆"
"""Marks a value beyond a limit."""


@dataclass(frozen=True)
class Label:
    y: float
    text: str


@dataclass(frozen=True)
class Mark:
    """A value that signals. job_id: the job it came from. text: the rule, in words."""

    x: float
    y: float
    sign: str
    text: str
    job_id: str


@dataclass(frozen=True)
class Panel:
    """One panel. line, dots: paths through the values and onto them. limits, zones, centre, zero: paths; "" for none. axis: marks
    at the left. labels: of the limits, at the right. band: top and height of the tolerance; None without one. ends: what stands
    below the first value and the last."""

    title: str
    height: float
    axis: Sequence[Label]
    zero: str
    band: tuple[float, float] | None
    ends: Sequence[str]
    line: str
    dots: str
    limits: str
    zones: str
    centre: str
    labels: Sequence[Label]
    marks: Sequence[Mark]


class _Scale:
    """A value → height in a panel, y growing downward. Zero is on it, and the tolerance where there is one."""

    def __init__(self, height: float, values: Iterable[float], tolerance: Tolerance | None) -> None:
        found: list[float] = [*values, 0.0, *(() if tolerance is None else (-tolerance[0], tolerance[1]))]
        self.low, self.high = min(found), max(found)
        if self.high - self.low < 1e-9:  # all zero: a line through the middle
            self.low, self.high = -1.0, 1.0
        self.height = height
        self.tolerance = tolerance

    def y(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return round(self.height - PAD - share * (self.height - 2.0 * PAD), 1)

    def axis(self, text: Callable[[float], str]) -> list[Label]:
        """Round values, each far enough from the next to be read."""
        step = step_of(self.high - self.low, max(2, int((self.height - 2.0 * PAD) / (LABEL_GAP + 4.0))))
        first, last = math.ceil(self.low / step - 1e-9), math.floor(self.high / step + 1e-9)
        return [Label(self.y(n * step), text(n * step)) for n in range(first, last + 1)]

    def band(self) -> tuple[float, float] | None:
        if self.tolerance is None:
            return None
        top, foot = self.y(self.tolerance[1]), self.y(-self.tolerance[0])
        return top, round(foot - top, 1)


def _percent(value: float) -> str:
    """An axis says no more digits than its round steps have."""
    return fmt.percent(value, 0 if float(value).is_integer() else 1)


def _unsigned(value: float) -> str:
    return _percent(value).lstrip("+")


def _x(index: int, n: int) -> float:
    return round(LEFT + (index + 0.5) * (RIGHT - LEFT) / n, 1)


def _path(points: Sequence[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{x:g} {y:g}" for x, y in points) if points else ""


def _across(y: float) -> str:
    return f"M{LEFT:g} {y:g}H{RIGHT:g}"


def _dots(points: Sequence[tuple[float, float]]) -> str:
    """Lines of no length; round ends make each a dot."""
    return "".join(f"M{x:g} {y:g}h0" for x, y in points)


def _labels(height: float, wanted: Iterable[tuple[float, str]]) -> list[Label]:
    """From above to below, each far enough from the one before to be read, and none below the panel."""
    found: list[Label] = []
    for y, text in sorted(wanted):
        found.append(Label(max(y, found[-1].y + LABEL_GAP) if found else y, text))
    for i in range(len(found) - 1, -1, -1):
        most = height - 2.0 if i == len(found) - 1 else found[i + 1].y - LABEL_GAP
        found[i] = Label(min(found[i].y, most), found[i].text)
    return found


def _marks(
    chart: Chart, job_ids: Sequence[str], rule: str, points: Sequence[tuple[float, float]]
) -> list[Mark]:
    """Marks of one rule in a panel that has a point for each value."""
    at = sorted({signal.index for signal in chart.signals if signal.rule == rule})
    return [Mark(*points[index], DIAMOND, RULES[rule], job_ids[index]) for index in at]


def panels(
    chart: Chart, job_ids: Sequence[str], tolerance: Tolerance | None = None, ends: Sequence[str] = ()
) -> list[Panel]:
    """The drawing of a chart; job_ids: one for each value. Empty without values, without limits while n is small. ends: when the
    first value is from, and the last."""
    if not chart.values:
        return []
    if chart.centre is None or chart.sigma is None or chart.lcl is None or chart.ucl is None:
        scale = _Scale(TALL, chart.values, tolerance)
        points = [(_x(i, chart.n), scale.y(value)) for i, value in enumerate(chart.values)]
        return [_panel(_("Individuals"), scale, points, _dots(points), ends=ends)]
    return [
        _individuals(chart, job_ids, tolerance, ends),
        _ranges(chart),
        _averages(chart, job_ids, tolerance),
    ]


def _panel(
    title: str,
    scale: _Scale,
    points: Sequence[tuple[float, float]],
    dots: str,
    *,
    limits: str = "",
    zones: str = "",
    centre: str = "",
    named: Iterable[tuple[float, str]] = (),
    marks: Sequence[Mark] = (),
    ends: Sequence[str] = (),
    text: Callable[[float], str] = _percent,
) -> Panel:
    return Panel(
        title,
        scale.height,
        scale.axis(text),
        _across(scale.y(0.0)),
        scale.band(),
        ends,
        _path(points),
        dots,
        limits,
        zones,
        centre,
        _labels(scale.height, named),
        marks,
    )


def _individuals(
    chart: Chart, job_ids: Sequence[str], tolerance: Tolerance | None, ends: Sequence[str]
) -> Panel:
    n, centre, sigma = chart.n, chart.centre or 0.0, chart.sigma or 0.0
    lcl, ucl = centre - 3.0 * sigma, centre + 3.0 * sigma
    scale = _Scale(TALL, (*chart.values, lcl, ucl), tolerance)
    points = [(_x(i, n), scale.y(value)) for i, value in enumerate(chart.values)]
    return _panel(
        _("Individuals"),
        scale,
        points,
        _dots(points),
        limits=_across(scale.y(ucl)) + _across(scale.y(lcl)),
        zones="".join(_across(scale.y(centre + k * sigma)) for k in (-2.0, -1.0, 1.0, 2.0)),
        centre=_across(scale.y(centre)),
        named=[(scale.y(v), fmt.percent(v)) for v in (ucl, centre, lcl)],
        marks=_marks(chart, job_ids, "beyond", points),
        ends=ends,
    )


def _ranges(chart: Chart) -> Panel:
    middle, upper = chart.range_centre or 0.0, chart.range_ucl or 0.0
    scale = _Scale(LOW, (*chart.moving_ranges, upper), None)
    points = [(_x(i, chart.n), scale.y(value)) for i, value in enumerate(chart.moving_ranges, start=1)]
    return _panel(
        _("Moving range"),
        scale,
        points,
        _dots(points),
        limits=_across(scale.y(upper)),
        centre=_across(scale.y(middle)),
        named=[(scale.y(v), fmt.percent(v).lstrip("+")) for v in (upper, middle)],
        text=_unsigned,
    )


def _averages(chart: Chart, job_ids: Sequence[str], tolerance: Tolerance | None) -> Panel:
    n, centre = chart.n, chart.centre or 0.0
    upper = [centre + half for half in chart.ewma_half]
    lower = [centre - half for half in chart.ewma_half]
    scale = _Scale(LOW, (*chart.ewma, *upper, *lower), tolerance)
    points = [(_x(i, n), scale.y(value)) for i, value in enumerate(chart.ewma)]
    return _panel(
        "EWMA",
        scale,
        points,
        "",
        limits="".join(
            _path([(_x(i, n), scale.y(v)) for i, v in enumerate(side)]) for side in (upper, lower)
        ),
        centre=_across(scale.y(centre)),
        named=[(scale.y(v), fmt.percent(v)) for v in (upper[-1], centre, lower[-1])],
        marks=_marks(chart, job_ids, "ewma", points),
    )
