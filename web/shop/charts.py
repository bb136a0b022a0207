"""Control charts as drawings: where lines, limits and marks stand. Pure geometry; templates only place it.

A chart stands in up to three panels with one time axis: individuals, moving range, EWMA. A value that signals is marked by
shape as well as by colour; ranges have a limit to read by and signal nothing.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from station.learning.charts import RULES, Chart
from web.frame import format as fmt

WIDTH = 400.0
LEFT, RIGHT = 68.0, 392.0
"""Between them lie the values; left of them stand the limits as text."""
TALL, LOW = 132.0, 96.0
PAD = 16.0
LABEL_GAP = 15.0
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
    """One panel. line, dots: paths through the values and onto them. limits, zones, centre: paths; "" for none."""

    title: str
    height: float
    line: str
    dots: str
    limits: str
    zones: str
    centre: str
    labels: Sequence[Label]
    marks: Sequence[Mark]


class _Scale:
    """A value → height in a panel, y growing downward."""

    def __init__(self, height: float, values: Iterable[float]) -> None:
        found = list(values)
        self.low, self.high = min(found), max(found)
        if self.high - self.low < 1e-9:  # all alike: a line through the middle
            self.low, self.high = self.low - 1.0, self.high + 1.0
        self.height = height

    def y(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return round(self.height - PAD - share * (self.height - 2.0 * PAD), 1)


def _x(index: int, n: int) -> float:
    return round(LEFT + (index + 0.5) * (RIGHT - LEFT) / n, 1)


def _path(points: Sequence[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{x:g} {y:g}" for x, y in points) if points else ""


def _across(y: float) -> str:
    return f"M{LEFT:g} {y:g}H{RIGHT:g}"


def _dots(points: Sequence[tuple[float, float]]) -> str:
    """Lines of no length; round ends make each a dot."""
    return "".join(f"M{x:g} {y:g}h0" for x, y in points)


def _labels(wanted: Iterable[tuple[float, str]]) -> list[Label]:
    """From above to below, each far enough from the one before to be read."""
    found: list[Label] = []
    for y, text in sorted(wanted):
        found.append(Label(max(y, found[-1].y + LABEL_GAP) if found else y, text))
    return found


def _marks(
    chart: Chart, job_ids: Sequence[str], rule: str, points: Sequence[tuple[float, float]]
) -> list[Mark]:
    """Marks of one rule in a panel that has a point for each value."""
    at = sorted({signal.index for signal in chart.signals if signal.rule == rule})
    return [Mark(*points[index], DIAMOND, RULES[rule], job_ids[index]) for index in at]


def panels(chart: Chart, job_ids: Sequence[str]) -> list[Panel]:
    """The drawing of a chart; job_ids: one for each value. Empty without values, without limits while n is small."""
    if not chart.values:
        return []
    n = chart.n
    if chart.centre is None or chart.sigma is None or chart.lcl is None or chart.ucl is None:
        scale = _Scale(TALL, chart.values)
        points = [(_x(i, n), scale.y(value)) for i, value in enumerate(chart.values)]
        ends = [(scale.y(v), fmt.percent(v)) for v in {min(chart.values), max(chart.values)}]
        return [Panel("Individuals", TALL, _path(points), _dots(points), "", "", "", _labels(ends), [])]
    return [_individuals(chart, job_ids), _ranges(chart), _averages(chart, job_ids)]


def _individuals(chart: Chart, job_ids: Sequence[str]) -> Panel:
    n, centre, sigma = chart.n, chart.centre or 0.0, chart.sigma or 0.0
    lcl, ucl = centre - 3.0 * sigma, centre + 3.0 * sigma
    scale = _Scale(TALL, (*chart.values, lcl, ucl))
    points = [(_x(i, n), scale.y(value)) for i, value in enumerate(chart.values)]
    labels = [(scale.y(v), fmt.percent(v)) for v in (ucl, centre, lcl)]
    return Panel(
        "Individuals",
        TALL,
        _path(points),
        _dots(points),
        _across(scale.y(ucl)) + _across(scale.y(lcl)),
        "".join(_across(scale.y(centre + k * sigma)) for k in (-2.0, -1.0, 1.0, 2.0)),
        _across(scale.y(centre)),
        _labels(labels),
        _marks(chart, job_ids, "beyond", points),
    )


def _ranges(chart: Chart) -> Panel:
    middle, upper = chart.range_centre or 0.0, chart.range_ucl or 0.0
    scale = _Scale(LOW, (0.0, *chart.moving_ranges, upper))
    points = [(_x(i, chart.n), scale.y(value)) for i, value in enumerate(chart.moving_ranges, start=1)]
    labels = [(scale.y(v), fmt.percent(v).lstrip("+")) for v in (upper, middle)]
    return Panel(
        "Moving range",
        LOW,
        _path(points),
        _dots(points),
        _across(scale.y(upper)),
        "",
        _across(scale.y(middle)),
        _labels(labels),
        [],
    )


def _averages(chart: Chart, job_ids: Sequence[str]) -> Panel:
    n, centre = chart.n, chart.centre or 0.0
    upper = [centre + half for half in chart.ewma_half]
    lower = [centre - half for half in chart.ewma_half]
    scale = _Scale(LOW, (*chart.ewma, *upper, *lower))
    points = [(_x(i, n), scale.y(value)) for i, value in enumerate(chart.ewma)]
    limits = "".join(_path([(_x(i, n), scale.y(v)) for i, v in enumerate(side)]) for side in (upper, lower))
    labels = [(scale.y(v), fmt.percent(v)) for v in (upper[-1], centre, lower[-1])]
    return Panel(
        "EWMA",
        LOW,
        _path(points),
        "",
        limits,
        "",
        _across(scale.y(centre)),
        _labels(labels),
        _marks(chart, job_ids, "ewma", points),
    )
