"""How far a certificate's readings lie from its result, drawn for page and paper with the band of U95. Pure."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from calibration.budget import expanded
from calibration.certificates import Certificate
from calibration.loadcell import LoadCellFit
from station.common.words import _
from web.frame import format as fmt

WIDTH, HEIGHT = 640.0, 240.0
LEFT, RIGHT, TOP, BOTTOM = 70.0, 16.0, 14.0, 40.0
BAND_POINTS = 40
FITTED = ("up", "down")
"""Steps of a pan's calibration that its line is fitted to."""


@dataclass(frozen=True)
class Point:
    """at: load in kg, or the run's number. off: from the result, in g or per cent. u95: of one such reading."""

    at: float
    off: float
    u95: float
    sign: str


@dataclass(frozen=True)
class Tick:
    at: float
    text: str


@dataclass(frozen=True)
class Dot:
    x: float
    y: float
    sign: str


@dataclass(frozen=True)
class Residuals:
    """A drawing of WIDTH by HEIGHT, and what it shows in a sentence. band: outline of a polygon."""

    band: str
    zero_y: float
    dots: Sequence[Dot]
    across: Sequence[Tick]
    up: Sequence[Tick]
    across_title: str
    up_title: str
    key: str
    told: str


def residuals(certificate: Certificate) -> Residuals | None:
    """None of a certificate that does not keep what it takes."""
    return _meter(certificate) if certificate.kind == "meter" else _pan(certificate)


def _pan(certificate: Certificate) -> Residuals | None:
    data, kept = certificate.data, certificate.result.get("fit")
    if kept is None:
        return None
    fit = LoadCellFit.from_dict(kept)

    def u95_g(count: float) -> float:
        return expanded(math.hypot(float(fit.u_mass_kg(count)), fit.residual_sd_kg), fit.dof) * 1000.0

    rows = [row for row in zip(data["step"], data["load_kg"], data["count"], strict=True) if row[0] in FITTED]
    points = [
        Point(kg, (float(fit.mass_kg(count)) - kg) * 1000.0, u95_g(count), "▲" if step == "up" else "▼")
        for step, kg, count in rows
    ]
    if not points:
        return None
    counts = [
        fit.counts_low + (fit.counts_high - fit.counts_low) * n / BAND_POINTS for n in range(BAND_POINTS + 1)
    ]
    band = [(float(fit.mass_kg(count)), u95_g(count)) for count in counts]
    key = _("▲ loading, ▼ unloading. Shaded: U95 of one reading, from the fit and the scatter about it.")
    return _drawn(
        points,
        band,
        _("load, kg"),
        _("reading less load, g"),
        key,
        _("{told} at {load} kg").format(told=_told(points, "g"), load=fmt.general(_worst(points).at)),
    )


def _meter(certificate: Certificate) -> Residuals | None:
    ks, mean = certificate.data.get("k_factor_per_l"), certificate.result.get("k_factor_per_l")
    if not ks or len(ks) < 2 or not mean:
        return None
    off = [(k / mean - 1.0) * 100.0 for k in ks]
    sd = math.sqrt(sum((one - sum(off) / len(off)) ** 2 for one in off) / (len(off) - 1))
    u95 = expanded(sd, len(off) - 1)
    points = [Point(n, one, u95, "●") for n, one in enumerate(off, 1)]
    band = [(0.5, u95), (len(off) + 0.5, u95)]
    key = _("Shaded: U95 of one run, from the scatter of the runs.")
    return _drawn(
        points,
        band,
        _("run"),
        _("K-factor less mean, %"),
        key,
        _("{told} in run {number:.0f}").format(told=_told(points, "%"), number=_worst(points).at),
    )


def _worst(points: Sequence[Point]) -> Point:
    return max(points, key=lambda point: abs(point.off))


def _told(points: Sequence[Point], unit: str) -> str:
    """How many lie within the band, and the farthest."""
    inside = sum(abs(point.off) <= point.u95 for point in points)
    if inside == len(points):
        lie = _("All {n} readings lie within the band of U95").format(n=len(points))
    else:
        lie = _("{inside} of {n} readings lie within the band of U95").format(inside=inside, n=len(points))
    worst = _worst(points).off
    far = _("{lie}; the farthest is {off} above") if worst > 0 else _("{lie}; the farthest is {off} below")
    return far.format(lie=lie, off=f"{fmt.significant(abs(worst))} {unit}")


def _drawn(
    points: Sequence[Point], band: Sequence[tuple[float, float]], across: str, up: str, key: str, told: str
) -> Residuals:
    low, high = min(at for at, _ in band), max(at for at, _ in band)
    most = 1.1 * max([u for _, u in band] + [abs(point.off) for point in points]) or 1.0

    def x(at: float) -> float:
        return round(LEFT + (WIDTH - LEFT - RIGHT) * (at - low) / (high - low), 1)

    def y(off: float) -> float:
        return round(TOP + (HEIGHT - TOP - BOTTOM) * (1.0 - (off + most) / (2.0 * most)), 1)

    outline = [(x(at), y(u)) for at, u in band] + [(x(at), y(-u)) for at, u in reversed(band)]
    step = _step(2.0 * most / 5.0)
    ups = [n * step for n in range(-5, 6) if abs(n * step) <= most]
    whole = _step((high - low) / 6.0)
    acrosses = [n * whole for n in range(math.ceil(low / whole), math.floor(high / whole) + 1)]
    return Residuals(
        band=" ".join(f"{a},{b}" for a, b in outline),
        zero_y=y(0.0),
        dots=[Dot(x(point.at), y(point.off), point.sign) for point in points],
        across=[Tick(x(at), fmt.general(at)) for at in acrosses],
        up=[Tick(y(at), fmt.typed(f"{at:+.3g}") if at else "0") for at in ups],
        across_title=across,
        up_title=up,
        key=key,
        told=f"{told}.",
    )


def _step(least: float) -> float:
    """The next of 1, 2, 5 × a power of ten."""
    power = 10.0 ** math.floor(math.log10(least))
    return next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= least)
