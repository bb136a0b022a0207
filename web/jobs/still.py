"""The curve as a still drawing for paper: pan and metered over time, with target, tolerance and what was filled. Pure."""

from collections.abc import Callable
from dataclasses import dataclass

from station.record.curve import Curve, Trace
from web.frame import format as fmt

WIDTH, HEIGHT = 720.0, 190.0
LEFT, RIGHT, TOP, BOTTOM = 46.0, 46.0, 8.0, 26.0
STEPS = (0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 2.5, 5.0, 10.0, 20.0, 30.0, 60.0, 120.0, 240.0)


@dataclass(frozen=True)
class Tick:
    at: float
    text: str


@dataclass(frozen=True)
class Bar:
    x: float
    width: float
    name: str


@dataclass(frozen=True)
class Band:
    y: float
    height: float


@dataclass(frozen=True)
class Still:
    """Positions in a drawing of WIDTH by HEIGHT. pan, metered: points of a polyline; empty where there is none."""

    pan: str
    metered: str
    minutes: tuple[Tick, ...]
    left: tuple[Tick, ...]
    right: tuple[Tick, ...]
    stages: tuple[Bar, ...]
    pump: tuple[Bar, ...]
    target_y: float
    tolerance: Band
    filled: Band | None


def still(
    curve: Curve,
    stages: tuple[tuple[str, float, float], ...],
    expected_l: float,
    tolerance_l: tuple[float, float],
    filled_l: tuple[float, float] | None,
) -> Still | None:
    """stages: name, from, to in seconds. tolerance_l: below, above. filled_l: with its U95. None without a pan or a meter."""
    pan, metered = curve.trace("pan"), curve.trace("metered")
    if (pan is None and metered is None) or curve.whole_s <= 0:
        return None
    wide = WIDTH - LEFT - RIGHT

    def x(t_s: float) -> float:
        return round(LEFT + wide * min(max(t_s / curve.whole_s, 0.0), 1.0), 1)

    top_l = max([expected_l + 2.0 * tolerance_l[1], *(metered.values if metered else ())])
    heights_kg = pan.values if pan else (0.0, 1.0)
    low_kg, high_kg = min(0.0, *heights_kg), max(0.1, *heights_kg) * 1.05
    y_l, y_kg = _scale(0.0, top_l), _scale(low_kg, high_kg)
    minutes = curve.whole_s / 60.0
    step = next((s for s in STEPS if minutes / s <= 10), STEPS[-1])
    return Still(
        pan=_line(pan, x, y_kg),
        metered=_line(metered, x, y_l),
        minutes=tuple(
            Tick(x(n * step * 60.0), fmt.general(n * step)) for n in range(int(minutes / step) + 1)
        ),
        left=_ticks(low_kg, high_kg, y_kg),
        right=_ticks(0.0, top_l, y_l),
        stages=tuple(Bar(x(a), round(x(b) - x(a), 1), name) for name, a, b in stages),
        pump=tuple(Bar(x(s.from_s), max(0.5, round(x(s.to_s) - x(s.from_s), 1)), s.name) for s in curve.pump),
        target_y=y_l(expected_l),
        tolerance=_band(y_l, expected_l - tolerance_l[0], expected_l + tolerance_l[1]),
        filled=None if filled_l is None else _band(y_l, filled_l[0] - filled_l[1], filled_l[0] + filled_l[1]),
    )


def _scale(low: float, high: float) -> Callable[[float], float]:
    tall = HEIGHT - TOP - BOTTOM
    return lambda value: round(TOP + tall * (1.0 - (value - low) / (high - low)), 1)


def _line(trace: Trace | None, x: Callable[[float], float], y: Callable[[float], float]) -> str:
    if trace is None:
        return ""
    return " ".join(f"{x(t)},{y(v)}" for t, v in zip(trace.t_s, trace.values, strict=True))


def _ticks(low: float, high: float, y: Callable[[float], float]) -> tuple[Tick, ...]:
    step = next((s for s in STEPS if (high - low) / s <= 6), STEPS[-1])
    first = -int(-low // step) if low < 0 else 0
    return tuple(Tick(y(n * step), fmt.general(n * step)) for n in range(first, int(high / step) + 1))


def _band(y: Callable[[float], float], low: float, high: float) -> Band:
    return Band(y(high), max(0.8, round(y(low) - y(high), 1)))
