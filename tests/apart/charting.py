"""After how many jobs is a meter that drifts by one percent named by a chart? ``python -m tests.apart.charting``.

A depot of twelve vehicles, each with its own error of the listing; fills proved at the lip, in turn. The meter is sound
for 48 jobs, then counts one percent too much. Charted are two ratios that the pump does not control: filled over
expected at level-proved fills, and what the next job drained from a compartment over what the last had filled. The
chart's centre and width come from the first 48 jobs. Without a drift the same charts tell how often they cry wolf.
"""

import random
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, replace

from station.learning.charts import chart
from tests.apart.instruments import MeterErrors
from tests.apart.playing import play
from tests.apart.scene import People, Scene
from tests.apart.shops import scene_of

VEHICLES, STEADY, WATCHED = 12, 48, 48
DRIFT = 1.01


@dataclass(frozen=True)
class Ratios:
    """In the order of the jobs. of_own: filled over expected, over what the same compartment's proved fills came to."""

    of_listing: list[float]
    of_own: list[float]
    drained_next: list[float]


def depot(seed: int, drifts: bool) -> Ratios:
    """Ratios of STEADY + WATCHED jobs."""
    rng = random.Random(f"depot {seed}")
    fleet = [scene_of(700_000 + 100 * seed + n) for n in range(VEHICLES)]
    sound = 1.0 + rng.gauss(0.0, 0.0015)
    own: dict[int, list[float]] = {}
    last_l: dict[int, float] = {}
    last_told_l: dict[int, float] = {}
    found = Ratios([], [], [])
    for job in range(STEADY + WATCHED):
        vehicle = job % VEHICLES
        factor = sound * (DRIFT if drifts and job >= STEADY else 1.0)
        scene = _visit(fleet[vehicle], factor, 1000 * seed + job, rng)
        truth = play(scene).truth
        filled_l = truth.counted_l - truth.overflow_l
        seen_retained_l = truth.retained_l + rng.gauss(0.0, 0.005)
        listed_l = float(scene.typed.capacity.split()[0]) / scene.fresh.per_20(scene.supply_c)
        ratio = filled_l / (listed_l - seen_retained_l)
        found.of_listing.append(ratio)
        if own.get(vehicle):
            found.of_own.append(ratio / statistics.fmean(own[vehicle]))
        if job < STEADY:
            own.setdefault(vehicle, []).append(ratio)
        if vehicle in last_l:
            # All that was filled drains again but for what stays, weighed on the pan with an aged fluid's density.
            drained_l = (last_l[vehicle] - truth.retained_l) * (1.0 + rng.gauss(0.0, 0.004))
            found.drained_next.append((drained_l + seen_retained_l) / last_told_l[vehicle])
        last_l[vehicle] = truth.filled_l + truth.retained_l
        last_told_l[vehicle] = filled_l + seen_retained_l
    return found


def _visit(vehicle: Scene, factor: float, seed: int, rng: random.Random) -> Scene:
    c = rng.uniform(8.0, 30.0)
    target_l = vehicle.box.volume_l / vehicle.fresh.per_20(c) * 0.96
    people = People(
        stops="lip", target_l=target_l, drains_s=600.0, waits_s=60.0, settles_s=60.0, watches_s=5.0
    )
    box = replace(vehicle.box, tilt=rng.gauss(0.0, 0.003), side_s=2.0)
    return Scene(
        seed=seed, box=box, old=vehicle.old, fresh=vehicle.fresh, air_c=c, supply_c=c, arrives_c=c + 20.0,
        warms=rng.uniform(0.0, 0.2), meter=MeterErrors(factor=factor), people=people, typed=vehicle.typed,
    )  # fmt: skip


def named_after(values: Sequence[float], steady: int) -> int | None:
    """Jobs after the first ``steady`` until the chart says anything of one of them; None where it says nothing."""
    first = chart(values[:steady])
    shown = chart(values, centre=first.centre, sigma=first.sigma)
    after = [s.index - steady + 1 for s in shown.signals if s.index >= steady]
    return min(after, default=None)


def text(depots: int) -> str:
    lines = [
        "| chart | meter | named within 48 jobs | median, worst | the chart's sigma |",
        "|---|---|---|---|---|",
    ]
    for drifts, meter in ((True, "counts 1 % too much"), (False, "sound")):
        runs = [depot(seed, drifts) for seed in range(depots)]
        for name, lists in (
            ("level-proved: filled / expected by listing", [r.of_listing for r in runs]),
            ("level-proved: the same over the compartment's own", [r.of_own for r in runs]),
            ("drained next / filled last", [r.drained_next for r in runs]),
        ):
            steady = [len(values) - WATCHED for values in lists]
            after = [named_after(values, n) for values, n in zip(lists, steady, strict=True)]
            named = sorted(a for a in after if a is not None)
            middle = f"{statistics.median(named):.0f}, {named[-1]}" if named else "-"
            width = statistics.fmean(chart(v[:n]).sigma or 0.0 for v, n in zip(lists, steady, strict=True))
            lines.append(f"| {name} | {meter} | {len(named)} of {depots} | {middle} | {100 * width:.2f} % |")
    return "\n".join(lines)


if __name__ == "__main__":
    print(text(10))
