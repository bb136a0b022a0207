"""Three pictures to look at, as plain SVG: errors, coverage, drip forecasts."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

SIDE, EDGE = 480, 56


def _page(title: str, x_label: str, y_label: str, marks: list[str], ticks: list[str]) -> str:
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {SIDE} {SIDE}" font-family="sans-serif" font-size="12">',
            f'<rect width="{SIDE}" height="{SIDE}" fill="white"/>',
            f'<text x="{SIDE / 2}" y="20" text-anchor="middle" font-size="14">{title}</text>',
            f'<text x="{SIDE / 2}" y="{SIDE - 8}" text-anchor="middle">{x_label}</text>',
            f'<text x="14" y="{SIDE / 2}" text-anchor="middle" transform="rotate(-90 14 {SIDE / 2})">{y_label}</text>',
            *ticks,
            *marks,
            "</svg>",
        ]
    )


def _place(value: float, low: float, high: float, up: bool) -> float:
    share = (max(low, min(high, value)) - low) / (high - low)
    return SIDE - EDGE - share * (SIDE - 2 * EDGE) if up else EDGE + share * (SIDE - 2 * EDGE)


def _ticks(low: float, high: float, up: bool, unit: str) -> list[str]:
    out = []
    for i in range(5):
        value = low + (high - low) * i / 4
        at = _place(value, low, high, up)
        if up:
            out.append(f'<text x="{EDGE - 6}" y="{at + 4:.1f}" text-anchor="end">{value:g}{unit}</text>')
            out.append(f'<path d="M{EDGE} {at:.1f}H{SIDE - EDGE}" stroke="#ddd"/>')
        else:
            out.append(
                f'<text x="{at:.1f}" y="{SIDE - EDGE + 18}" text-anchor="middle">{value:g}{unit}</text>'
            )
    return out


def _dots(
    points: Sequence[tuple[float, float]], xs: tuple[float, float], ys: tuple[float, float]
) -> list[str]:
    return [
        f'<circle cx="{_place(x, *xs, False):.1f}" cy="{_place(y, *ys, True):.1f}" r="2.5" fill="#246" fill-opacity="0.5"/>'
        for x, y in points
    ]


def write(rows: Sequence[dict[str, Any]], folder: Path) -> list[Path]:
    """Write the pictures; values beyond an axis sit at its end."""
    folder.mkdir(parents=True, exist_ok=True)
    pages = {}
    for figure in ("drained", "filled"):
        true, got, u95 = f"{figure}_true_l", f"{figure}_l", f"{figure}_u95_l"
        errors = [(r[true], 100.0 * (r[got] - r[true]) / r[true]) for r in rows if r[true] > 0.0]
        xs, ys = (1.0, 6.0), (-1.2, 1.2)
        pages[f"errors_{figure}"] = _page(
            f"Error of {figure}, {len(rows)} jobs", "true volume, L", "error, %", _dots(errors, xs, ys),
            _ticks(*xs, False, "") + _ticks(*ys, True, ""),
        )  # fmt: skip
        ratios = sorted((r[got] - r[true]) / r[u95] for r in rows)
        points = [(x, 100.0 * (i + 0.5) / len(ratios)) for i, x in enumerate(ratios)]
        xs, ys = (-2.0, 2.0), (0.0, 100.0)
        pages[f"coverage_{figure}"] = _page(
            f"Error of {figure} over U95", "error / U95", "share of jobs below, %", _dots(points, xs, ys),
            _ticks(*xs, False, "") + _ticks(*ys, True, ""),
        )  # fmt: skip
    points = [(1000 * r["came_l"], 1000 * r["told_l"]) for r in rows if r["told_l"] is not None]
    both = (0.0, 60.0)
    pages["drip_forecast"] = _page(
        "Drip told at 3 min, next 30 min", "what came, mL", "what was told, mL", _dots(points, both, both),
        _ticks(*both, False, "") + _ticks(*both, True, ""),
    )  # fmt: skip
    written = []
    for name, page in pages.items():
        written.append(folder / f"{name}.svg")
        written[-1].write_text(page, encoding="utf-8")
    return written
