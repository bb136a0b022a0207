"""Pictures of numbers as drawings that a page places: columns over months, bars by name, a level over time. Pure geometry.

``_pictures.html`` draws them. Each has its numbers beside it as text and as a file; a shape says what a colour says.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

from station.common.words import _
from web.frame import format as fmt

WIDTH, TALL = 400.0, 200.0
LEFT, RIGHT, TOP, BOTTOM = 48.0, 8.0, 22.0, 24.0
ROW, NAME_WIDTH, VALUE_WIDTH = 26.0, 120.0, 92.0
MOST_BARS = 12
NAME_LETTERS = 15
TICKS = 5
TONES = ("solid", "hollow", "amber")
"""How series are told apart: filled, drawn round, filled and drawn round."""


@dataclass(frozen=True)
class Tick:
    at: float
    text: str


@dataclass(frozen=True)
class Bar:
    """A rectangle. tone: of TONES. text: what it stands for, for whoever points at it."""

    x: float
    y: float
    width: float
    height: float
    tone: str
    text: str


@dataclass(frozen=True)
class Series:
    """Values of one kind, one for each name of the axis. name: for the key."""

    name: str
    values: Sequence[float]


@dataclass(frozen=True)
class Row:
    """A bar by its name. address: where it leads, "" for nowhere."""

    name: str
    short: str
    bar: Bar
    text: str
    address: str


@dataclass(frozen=True)
class Count:
    """A level that was seen: a mark with its U95 as a whisker. text: in words."""

    x: float
    y: float
    top: float
    bottom: float
    text: str


@dataclass(frozen=True)
class Picture:
    """title, said: what it shows, and its gist in words. file: its numbers as CSV. Of what a kind of picture does not have there
    is none: bars and names along the bottom, rows, or a line with counts."""

    title: str
    said: str
    file: str
    height: float
    unit: str = ""
    ticks: Sequence[Tick] = ()
    names: Sequence[Tick] = ()
    bars: Sequence[Bar] = ()
    key: Sequence[tuple[str, str]] = ()
    rows: Sequence[Row] = ()
    line: str = ""
    counts: Sequence[Count] = ()
    top_line: float | None = None


@dataclass(frozen=True)
class Point:
    """A level from a moment on. u95_l: where it was counted then; None where it is by the books."""

    utc: str
    level_l: float
    u95_l: float | None = None


def step_of(span: float, parts: int = TICKS) -> float:
    """The round step that cuts a span into at most so many parts."""
    if not span > 0:
        return 1.0
    scale = 10.0 ** math.floor(math.log10(span / parts))
    return next(scale * part for part in (1.0, 2.0, 2.5, 5.0, 10.0, 20.0) if span / (scale * part) <= parts)


def _axis(high: float, low: float = 0.0) -> tuple[Callable[[float], float], list[Tick]]:
    """Where a value stands, and the marks beside it. Zero is always on it."""
    step = step_of(high - low)
    top, bottom = step * max(1, math.ceil(high / step - 1e-9)), step * math.floor(low / step + 1e-9)
    tall = TALL - TOP - BOTTOM

    def y(value: float) -> float:
        return round(TOP + tall * (top - value) / (top - bottom), 1)

    first, last = round(bottom / step), round(top / step)
    return y, [Tick(y(n * step), fmt.decimal(n * step, 1 if step % 1 else 0)) for n in range(first, last + 1)]


def columns(
    title: str, said: str, file: str, unit: str, names: Sequence[str], series: Sequence[Series]
) -> Picture:
    """Columns beside each other, over a few names such as months. Every axis begins at zero."""
    high = max([0.0, *(value for one in series for value in one.values)])
    low = min([0.0, *(value for one in series for value in one.values)])
    y, ticks = _axis(high, low)
    place = (WIDTH - LEFT - RIGHT) / max(1, len(names))
    wide = 0.8 * place / max(1, len(series))
    bars = []
    for k, one in enumerate(series):
        for n, value in enumerate(one.values):
            x = LEFT + (n + 0.1) * place + k * wide
            top, foot = min(y(value), y(0.0)), max(y(value), y(0.0))
            text = f"{names[n]}, {one.name}: {fmt.decimal(value, 2)} {unit}"
            bars.append(Bar(round(x, 1), top, round(wide, 1), round(foot - top, 1), TONES[k % 3], text))
    every = max(1, math.ceil(len(names) / 6))
    below = [Tick(round(LEFT + (n + 0.5) * place, 1), name) for n, name in enumerate(names) if n % every == 0]
    key = [(TONES[k % 3], one.name) for k, one in enumerate(series)]
    return Picture(title, said, file, TALL, unit, ticks, below, bars, key)


def bars(
    title: str, said: str, file: str, values: Sequence[tuple[str, float, str]], shown: Callable[[float], str]
) -> Picture:
    """One bar a name, the longest first: (name, value, address). What is beyond the first few is one bar, of the others."""
    ranked = sorted((one for one in values if one[1] > 0), key=lambda one: (-one[1], one[0]))
    kept, rest = ranked[:MOST_BARS], ranked[MOST_BARS:]
    if rest:
        kept = [*kept, (_("{n} others").format(n=len(rest)), sum(one[1] for one in rest), "")]
    high = max([one[1] for one in kept], default=1.0)
    rows = []
    for n, (name, value, address) in enumerate(kept):
        width = round((WIDTH - NAME_WIDTH - VALUE_WIDTH) * value / high, 1)
        bar = Bar(NAME_WIDTH, n * ROW + 5.0, max(1.0, width), ROW - 10.0, "solid", f"{name}: {shown(value)}")
        short = name if len(name) <= NAME_LETTERS else f"{name[: NAME_LETTERS - 1]}…"
        rows.append(Row(name, short, bar, shown(value), address))
    return Picture(title, said, file, max(ROW, len(rows) * ROW), rows=rows)


def level(
    title: str,
    said: str,
    file: str,
    points: Sequence[Point],
    ends: Sequence[tuple[str, str]],
    size_l: float | None,
) -> Picture:
    """A level over time as steps, with every count marked. ends: the first moment and the last, and what to write there. size_l:
    where it is full."""
    begun, ended = (datetime.fromisoformat(utc).timestamp() for utc, _ in ends)
    high = max([size_l or 0.0, 1.0, *(p.level_l + (p.u95_l or 0.0) for p in points)])
    low = min([0.0, *(p.level_l - (p.u95_l or 0.0) for p in points)])
    y, ticks = _axis(high, low)

    def x(utc: str) -> float:
        share = (datetime.fromisoformat(utc).timestamp() - begun) / (ended - begun)
        return round(LEFT + (WIDTH - LEFT - RIGHT) * min(1.0, max(0.0, share)), 1)

    path, last = "", ""
    for point in points:
        here = f"{x(point.utc):g} {y(point.level_l):g}"
        step = f"H{x(point.utc):g}V{y(point.level_l):g}" if path else f"M{here}"
        if step != last:
            path, last = path + step, step
    counts = [
        Count(
            x(p.utc),
            y(p.level_l),
            y(p.level_l + p.u95_l),
            y(p.level_l - p.u95_l),
            _("{day}: {level} counted").format(day=fmt.day(p.utc), level=fmt.litres(p.level_l, p.u95_l)),
        )
        for p in points
        if p.u95_l is not None
    ]
    below = [Tick(LEFT + 30.0, ends[0][1]), Tick(WIDTH - RIGHT - 36.0, ends[1][1])]
    key = [("line", _("by the books")), ("count", _("counted, ± U95"))]
    top = None if size_l is None else y(size_l)
    return Picture(
        title, said, file, TALL, "L", ticks, below, key=key, line=path, counts=counts, top_line=top
    )
