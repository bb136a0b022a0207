"""What the study's rows come to: figures against goals, with confidence limits."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from tests.study.run import QUIET

Row = dict[str, Any]


def clopper_pearson(hits: int, n: int, confidence: float = 0.95) -> tuple[float, float]:
    """Exact limits for a share (C. Clopper and E. Pearson, Biometrika 26 (1934) 404), by bisection."""
    if n == 0:
        return 0.0, 1.0
    tail = (1.0 - confidence) / 2.0

    def at_most(k: int, p: float) -> float:
        logs = [
            math.lgamma(n + 1) - math.lgamma(i + 1) - math.lgamma(n - i + 1)
            + i * math.log(p) + (n - i) * math.log1p(-p)
            for i in range(k + 1)
        ]  # fmt: skip
        return min(1.0, sum(math.exp(x) for x in logs))

    def solve(above: Callable[[float], bool]) -> float:
        low, high = 1e-12, 1.0 - 1e-12
        for _ in range(60):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if above(middle) else (low, middle)
        return 0.5 * (low + high)

    low = 0.0 if hits == 0 else solve(lambda p: 1.0 - at_most(hits - 1, p) < tail)
    high = 1.0 if hits == n else solve(lambda p: at_most(hits, p) > tail)
    return low, high


@dataclass(frozen=True)
class Line:
    """One figure. met: None where there is no goal. Shares in percent with 95 % limits."""

    figure: str
    goal: str
    measured: str
    met: bool | None


def _share(figure: str, goal: str, hits: Sequence[bool], met: Callable[[float], bool] | None) -> Line:
    n, k = len(hits), sum(hits)
    if n == 0:
        return Line(figure, goal, "none in this run", None)
    low, high = clopper_pearson(k, n)
    text = f"{k} of {n}: {100 * k / n:.1f} % ({100 * low:.1f} to {100 * high:.1f})"
    return Line(figure, goal, text, None if met is None else met(k / n))


RAN_OVER_L = 0.030
"""So much in the pan is no false word that fluid runs over."""


def false_kinds(row: Row) -> set[str]:
    """Notices of an undisturbed job that say what was not so."""
    return {kind for kind in row["kinds"] if kind != "runs_over" or row["overflow_true_l"] < RAN_OVER_L}


def _error(row: Row, figure: str) -> float:
    return float(row[f"{figure}_l"] - row[f"{figure}_true_l"])


def _covered(row: Row, figure: str) -> bool:
    return abs(_error(row, figure)) <= float(row[f"{figure}_u95_l"])


def lines(rows: Sequence[Row]) -> list[Line]:
    """Every figure of the study, in the order of the goals."""
    found = []
    for figure in ("drained", "filled"):
        jobs = [r for r in rows if r[f"{figure}_true_l"] > 0.0]
        rel = [abs(_error(r, figure)) / r[f"{figure}_true_l"] for r in jobs]
        found.append(
            _share(f"{figure}: error within 0.4 %", "95 %", [x <= 0.004 for x in rel], lambda s: s >= 0.95)
        )
        silent = [x > 0.01 and not set(r["kinds"]) - set(QUIET) for x, r in zip(rel, jobs, strict=True)]
        found.append(_share(f"{figure}: beyond 1 % without a notice", "none", silent, lambda s: s == 0.0))
        found.append(_share(f"{figure}: beyond 1 % at all", "", [x > 0.01 for x in rel], None))
        found.append(
            _share(f"{figure}: true value within U95", "94 to 97 %", [_covered(r, figure) for r in jobs], lambda s: 0.94 <= s <= 0.97)
        )  # fmt: skip
    held_off = [r["filled_true_l"] == 0.0 for r in rows]
    found.append(_share("pump held off by an interlock, no fill", "", held_off, None))
    silent = [off and not r["kinds"] for off, r in zip(held_off, rows, strict=True)]
    found.append(_share("… without a notice", "none", silent, lambda s: s == 0.0))
    told = [r for r in rows if r["told_l"] is not None]
    near = [abs(r["told_l"] - r["came_l"]) <= max(0.010, 0.15 * r["came_l"]) for r in told]
    found.append(_share("drip told at 3 min: within 15 % or 10 mL", "all", near, lambda s: s == 1.0))
    alone = [hit for hit, r in zip(near, told, strict=True) if r["undisturbed"]]
    found.append(_share("… of undisturbed jobs", "", alone, None))
    within = [abs(r["told_l"] - r["came_l"]) <= r["told_u95_l"] for r in told if r["came_l"] > 0.0005]
    found.append(_share("drip told at 3 min: true value within U95", "", within, None))
    untrue = [bool(false_kinds(r)) for r in rows if r["undisturbed"]]
    found.append(_share("false notices, of undisturbed jobs", "below 2 %", untrue, lambda s: s < 0.02))
    drip = [b for r in rows for b in r["bolts_drip"]]
    bulk = [b for r in rows for b in r["bolts_bulk"]]
    found.append(_share("20 g bolt found while it drips", "95 %", drip, lambda s: s >= 0.95))
    found.append(_share("20 g bolt found in bulk flow", "50 %", bulk, lambda s: s >= 0.5))
    over = [r for r in rows if r["overflow_true_l"] > 0.001]
    about = [r for r in over if 0.03 <= r["overflow_true_l"] <= 0.08]
    for name, chosen in (("30 to 80 mL", about), ("any", over)):
        hits = [abs(_error(r, "overflow")) < 0.010 for r in chosen]
        found.append(_share(f"overflow ({name}) within 10 mL", "95 %", hits, lambda s: s >= 0.95))
    found.append(_share("overflow: true value within U95", "", [_covered(r, "overflow") for r in over], None))
    watched = [r for r in rows if r["leak_limit_l_h"] is not None]
    found.append(
        _share(
            "leak watch that came to no figure", "none", [r not in watched for r in rows], lambda s: s == 0.0
        )
    )
    leaking = [r for r in watched if r["leak_l_h"] > max(r["leak_limit_l_h"], 1e-9)]
    dry = [r for r in watched if r["leak_l_h"] == 0.0]
    alarm = [r["leak_found"] for r in dry]
    opened = [r["leak_unsure"] for r in dry]
    seen = [r["leak_found"] or r["leak_unsure"] for r in leaking]
    found.append(_share("leak above its limit found or left open", "95 %", seen, lambda s: s >= 0.95))
    found.append(_share("leak above its limit found", "", [r["leak_found"] for r in leaking], None))
    found.append(_share("leak told where there is none", "5 %", alarm, lambda s: s <= 0.05))
    found.append(_share("leak left open where there is none", "5 %", opened, lambda s: s <= 0.05))
    return found


def text(rows: Sequence[Row]) -> str:
    """The table as Markdown."""
    out = ["| figure | goal | measured (95 % limits) | met |", "|---|---|---|---|"]
    for line in lines(rows):
        met = {None: "", True: "yes", False: "**no**"}[line.met]
        out.append(f"| {line.figure} | {line.goal} | {line.measured} | {met} |")
    return "\n".join(out)


def unsaid(rows: Sequence[Row]) -> list[str]:
    """The jobs to look at: errors beyond 1 %."""
    out = []
    for r in rows:
        for figure in ("drained", "filled"):
            rel = _error(r, figure) / r[f"{figure}_true_l"]
            if abs(rel) > 0.01:
                out.append(
                    f"seed {r['seed']}: {figure} {100 * rel:+.2f} %, said {r['kinds']}, was {r['happened']}"
                )
    return out
