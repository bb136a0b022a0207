"""What weighing says of streams of every kind, each as one number: the part of ``felt`` that has a pan alone."""

# ruff: noqa: B023 (a probe is called before the loop goes on)

import math
import random
from collections.abc import Iterator
from typing import Any

from station.given.stages import Stage
from station.weighing import counts, drip, leak, pan, rest, steps
from station.weighing.limits import LIMITS as WEIGHING
from station.weighing.steps import Step
from tests.station.felt_pump import Probes

NOISE_KG = 1e-4

Stream = list[tuple[float, float]]


def noisy(seed: int, until_s: float, kg: Any, per_s: float = 10.0) -> Stream:
    rng = random.Random(seed)
    n = round(until_s * per_s)
    return [(i / per_s, kg(i / per_s) + rng.gauss(0.0, NOISE_KG)) for i in range(n)]


def landed(t_s: float, at_s: float, kg: float, in_s: float = 0.0) -> float:
    """A thing that lands at at_s, or fluid that arrives within in_s."""
    if t_s < at_s:
        return 0.0
    if in_s:
        return kg * min(1.0, (t_s - at_s) / in_s)
    gone_s = t_s - at_s
    return kg * (1.0 + 0.8 * math.exp(-gone_s / 0.15) * math.cos(40.0 * gone_s))


def shaken(t_s: float, from_s: float, to_s: float, kg: float) -> float:
    return kg * math.sin(23.0 * t_s) * math.sin(5.1 * t_s) if from_s <= t_s < to_s else 0.0


def played(stream: Stream, stage: Stage, pump_kg_s: float | None = None) -> float:
    """Everything that the pan's estimator says of a stream, as one number."""
    track, known, told = pan.PanTrack(), tuple[Step, ...](), 0.0
    for t_s, kg in stream:
        track, jump = pan.add(track, t_s, kg, NOISE_KG)
        if jump is None:
            continue
        found = steps.judge(jump, stage, known, 0.0, jump.after_kg + track.offset_kg, pump_kg_s)
        track = pan.resume(track, jump, found.kind not in (None, "knock"), NOISE_KG)
        told += jump.t_s + jump.end_t_s + 1e3 * (jump.kg + jump.u_kg + jump.swing_kg + jump.hidden_kg)
        told += 10.0 * jump.rise_s + len(found.kind or "") + len(found.text) + 7.0 * found.share
        if found.kind is not None:
            known = (*known, Step("s", jump.t_s, found.kind, jump.kg, jump.u_kg, found.share))
    told += 1e3 * (track.median_kg + track.offset_kg + track.scatter_kg + track.change_kg)
    return told + 1e4 * track.flow_kg_s + len(track.window) + len(track.calm) + 3.0 * len(track.episode)


def dripped(t_s: float) -> float:
    """What has come of a film at an age: three walls, one above the other."""
    return sum(a - a * math.sqrt(o / (t_s + o)) for a, o in ((0.05, 15.0), (0.08, 80.0), (0.03, 300.0)))


def weighing_streams() -> Probes:
    def of(
        stage: Stage, seed: int, until_s: float, kg: Any, pump: float | None = None, per_s: float = 10.0
    ) -> float:
        return played(noisy(seed, until_s, kg, per_s), stage, pump)

    gulps = tuple(
        Step(f"s{i}", t, "gulp", kg, 1e-4)
        for i, (t, kg) in enumerate(((0.0, 0.02), (6.0, 0.019), (13.0, 0.02)))
    )
    yield "presses", lambda: 10.0 * len(steps.bursts(gulps, 15.0)) + steps.sprayed(gulps)
    far = tuple(Step(f"s{t}", t, "gulp", 0.02, 1e-4) for t in (0.0, 20.0))
    yield "far presses", lambda: float(len(steps.bursts(far, 25.0)))
    for pair in ((0.02, 0.017), (0.2, 0.1), (0.03, 0.02)):
        two = tuple(Step(f"s{i}", 5.0 * i, "gulp", x, 1e-4) for i, x in enumerate(pair))
        yield f"presses {pair}", lambda: float(steps.sprayed(two))
    yield "bolt in a drip", lambda: of(Stage.DRIP, 1, 14.0, lambda t: 1e-3 * t + landed(t, 7.0, 0.03))
    yield (
        "least blow",
        lambda: of(
            Stage.DRAIN, 2, 16.0, lambda t: 0.05 * t + shaken(t, 8.0, 8.8, 0.01) + landed(t, 8.0, 0.001)
        ),
    )
    yield "small bolt", lambda: of(Stage.DRIP, 2, 14.0, lambda t: 1e-3 * t + landed(t, 7.0, 0.0014))
    yield "wrench in a stream", lambda: of(Stage.DRAIN, 3, 16.0, lambda t: 0.03 * t + landed(t, 8.0, 0.2))
    yield "splash", lambda: of(Stage.DRAIN, 4, 16.0, lambda t: 0.03 * t + landed(t, 8.0, 0.007))
    yield (
        "blow",
        lambda: of(
            Stage.DRAIN, 5, 16.0, lambda t: 0.08 * t + shaken(t, 8.0, 8.8, 0.08) + landed(t, 8.0, 0.004)
        ),
    )
    yield (
        "blow that hides",
        lambda: of(
            Stage.DRAIN,
            6,
            18.0,
            lambda t: 0.05 * t + shaken(t, 8.0, 9.5, 0.3) + 0.02 * max(0.0, t - 8.3) + landed(t, 8.2, 0.02),
        ),
    )
    yield (
        "plug falls",
        lambda: of(Stage.DRAIN, 7, 18.0, lambda t: landed(t, 6.0, 0.08) + 0.04 * max(0.0, t - 6.2)),
    )
    yield "stream begins", lambda: of(Stage.DRAIN, 8, 18.0, lambda t: 0.04 * max(0.0, t - 6.2))
    yield (
        "stream ends",
        lambda: of(Stage.DRAIN, 9, 18.0, lambda t: 0.04 * min(8.0, t) + 5e-4 * max(0.0, t - 8.0)),
    )
    yield "knock", lambda: of(Stage.DRIP, 10, 12.0, lambda t: shaken(t, 6.0, 6.8, 0.08))
    yield "gulp", lambda: of(Stage.DRIP, 11, 16.0, lambda t: landed(t, 7.0, 0.02, 1.5))
    yield "slow gulp", lambda: of(Stage.DRIP, 12, 22.0, lambda t: landed(t, 7.0, 0.02, 6.0))
    for name, press_kg in (("taken as it runs over", 0.0), ("pressed as it runs over", 0.04)):
        # More runs over at first than later; a thing goes at 7.7 s, in the second with a hand that had pressed.
        yield (
            name,
            lambda: of(
                Stage.FILL,
                14,
                14.0,
                lambda t: (
                    0.024 * min(3.0, max(0.0, t - 6.0))
                    + 0.006 * max(0.0, t - 9.0)
                    + press_kg * min(1.0, max(0.0, t - 6.9) / 0.6)
                    - (0.05 + press_kg if t >= 7.7 else 0.0)
                ),
                0.012,
            ),
        )
    yield (
        "lifted and back",
        lambda: of(Stage.DRIP, 13, 24.0, lambda t: 1.0 - (1.6 if 6.0 <= t < 14.0 else 0.0)),
    )
    yield "lightened", lambda: of(Stage.DRIP, 14, 14.0, lambda t: 1.0 - (1.05 if t >= 6.0 else 0.0))
    yield (
        "taken off again",
        lambda: of(
            Stage.DRIP, 15, 22.0, lambda t: 0.5 + landed(t, 6.0, 0.03) - (0.0315 if t >= 14.0 else 0.0)
        ),
    )
    yield (
        "air tool",
        lambda: of(Stage.RESEAL, 16, 30.0, lambda t: shaken(t, 6.0, 18.0, 0.05) + landed(t, 11.0, 0.06, 3.0)),
    )
    yield "long air tool", lambda: of(Stage.RESEAL, 17, 60.0, lambda t: shaken(t, 6.0, 58.0, 0.05))
    yield (
        "runs over, shaken",
        lambda: of(
            Stage.FILL, 18, 30.0, lambda t: shaken(t, 6.0, 16.0, 0.05) + landed(t, 9.0, 0.05, 4.0), 0.04
        ),
    )
    yield "runs over", lambda: of(Stage.FILL, 19, 20.0, lambda t: landed(t, 7.0, 0.06, 2.0), 0.04)
    yield "in the fill", lambda: of(Stage.FILL, 20, 16.0, lambda t: landed(t, 7.0, 0.2), 0.04)
    yield (
        "80 a second",
        lambda: of(Stage.DRIP, 21, 8.0, lambda t: 1e-3 * t + landed(t, 4.0, 0.03), None, 80.0),
    )
    yield (
        "two a second",
        lambda: of(Stage.DRIP, 22, 40.0, lambda t: 1e-3 * t + landed(t, 20.0, 0.03), None, 2.0),
    )
    yield "one in three seconds", lambda: of(Stage.DRIP, 23, 200.0, lambda t: 1e-3 * t, None, 1.0 / 3.0)
    holed = [p for p in noisy(24, 20.0, lambda t: 1e-3 * t * t) if not 8.0 < p[0] < 10.2]
    yield "hole", lambda: played(holed, Stage.DRIP)
    sparse_hole = [p for p in noisy(25, 60.0, lambda t: 2e-4 * t * t, 2.0) if not 30.0 < p[0] < 36.0]
    yield "hole in a slow one", lambda: played(sparse_hole, Stage.DRIP)
    late = [p for p in noisy(26, 200.0, lambda t: 1e-3 * t, 0.5) if not 20.0 < p[0] < 170.0]
    yield "minutes apart", lambda: played(late, Stage.DRIP)
    yield "one in twenty seconds", lambda: of(Stage.DRIP, 29, 400.0, lambda t: 1e-5 * t * t, None, 0.05)
    short_hole = [p for p in noisy(30, 16.0, lambda t: 1e-3 * t * t) if not 8.0 < p[0] < 9.0]
    yield "short hole", lambda: played(short_hole, Stage.DRIP)
    yield "off by little", lambda: of(Stage.DRIP, 27, 12.0, lambda t: 0.0006 * (t > 6.0))
    yield (
        "plug laid in",
        lambda: of(Stage.DRAIN, 31, 18.0, lambda t: landed(t, 6.0, 0.03, 0.1) + 0.04 * max(0.0, t - 6.6)),
    )
    yield (
        "crumb laid in",
        lambda: of(Stage.DRAIN, 32, 18.0, lambda t: landed(t, 6.0, 0.003, 0.1) + 0.02 * max(0.0, t - 6.9)),
    )
    yield "little knock", lambda: of(Stage.DRIP, 33, 12.0, lambda t: shaken(t, 6.0, 6.8, 0.01))
    yield (
        "laid in, shaken",
        lambda: of(
            Stage.FILL, 34, 20.0, lambda t: shaken(t, 6.0, 10.0, 0.05) + landed(t, 8.0, 0.2, 0.1), 0.04
        ),
    )
    for seed, slope in ((35, 0.08), (36, -0.02), (37, -0.002), (38, 0.8)):
        yield (
            f"after the tool {slope}",
            lambda: of(
                Stage.DRAIN,
                seed,
                24.0,
                lambda t, slope=slope: shaken(t, 6.0, 12.0, 0.05) + slope * max(0.0, t - 12.0),
            ),
        )
    yield (
        "little blow",
        lambda: of(
            Stage.DRAIN, 39, 16.0, lambda t: 0.08 * t + shaken(t, 8.0, 8.8, 0.01) + landed(t, 8.0, 0.001)
        ),
    )
    yield (
        "nearly as heavy",
        lambda: of(
            Stage.DRIP, 40, 22.0, lambda t: 0.5 + landed(t, 6.0, 0.01, 0.1) - (0.0126 if t >= 14.0 else 0.0)
        ),
    )
    yield (
        "lighter by much",
        lambda: of(
            Stage.DRIP, 41, 22.0, lambda t: 0.5 + landed(t, 6.0, 0.01, 0.1) - (0.02 if t >= 14.0 else 0.0)
        ),
    )
    yield "fluid swings", lambda: of(Stage.DRAIN, 28, 14.0, lambda t: 0.03 * t + 0.004 * math.sin(8.0 * t))


def weighing_counts() -> Probes:
    def told(rows: list[tuple[float, int]], noise: float = 25.0) -> float:
        now, number = counts.Counts(), 0.0
        for i, (t_s, count) in enumerate(rows):
            now, taken, finding = counts.check(now, t_s, count, noise)
            number += i * {"bit": 1.0, "stuck": 2.0, "moving": 3.0, None: 0.0}[finding] + len(taken)
        return number + now.unrest

    rng = random.Random(1)
    live = [(i / 10.0, 50_000 + round(rng.gauss(0.0, 25.0))) for i in range(200)]
    same = [(20.0 + i / 10.0, 50_000) for i in range(80)]
    yield "stuck by chance", lambda: told([*live, *same])
    yield "stuck by time", lambda: told([*live[:1], *same], 2.0)
    yield "by hand", lambda: told([(i * 0.4, 50_000) for i in range(60)])
    yield "by hand, slower", lambda: told([(i * 1.0, 50_000) for i in range(60)])
    yield "a kick", lambda: told([(t, c + 700 * (i == 120)) for i, (t, c) in enumerate(live)])
    yield "half", lambda: told([(t, (c - 49_000) // (1 + (i == 120))) for i, (t, c) in enumerate(live)])
    quiet = [(t, 50_000 + (c % 2) + 512 * (i == 120)) for i, (t, c) in enumerate(live)]
    yield "a kick of a quiet one", lambda: told(quiet, 1.0)
    for bit in (11, 12, 14, 20):
        for off in (0, 60):
            broken = [(t, c + ((1 << bit) + off) * (i == 120)) for i, (t, c) in enumerate(live)]
            yield f"bit {bit} {off}", lambda: told(broken)
    yield (
        "bit after a hole",
        lambda: told([*live[:100], (14.0, live[100][1] + (1 << 14)), *((t + 6.0, c) for t, c in live[101:])]),
    )
    unquiet = [
        (t, c + round(700.0 * math.sin(i)) * (i < 60) + (1 << 14) * (i == 90))
        for i, (t, c) in enumerate(live)
    ]
    yield "bit after unrest", lambda: told(unquiet)


def weighing_drips() -> Probes:
    def fitted(seed: int, kg: Any, until_s: float, per_s: float = 2.0) -> Iterator[float]:
        fit = drip.start(0.0)
        for t_s, now_kg in noisy(seed, until_s, kg, per_s):
            grown = drip.add(fit, t_s, now_kg)
            if grown is fit:
                continue
            fit = grown
            found, flows = drip.gulp(fit, NOISE_KG), drip.unexplained(fit, NOISE_KG)
            if found is not None:
                yield found.from_s + found.to_s + 1e3 * found.kg
                fit = drip.take_out(fit, found)
            elif flows is not None:
                yield t_s + flows[0]
                fit = drip.cut(fit, flows[0])
            ahead = drip.forecast(fit, t_s, NOISE_KG, 0.002)
            if ahead is not None and round(t_s) % 30 == 0:
                yield 1e3 * (ahead.still_to_come_kg + ahead.u_kg) + ahead.wait_s / 100.0
        held = drip.inside(fit, until_s, NOISE_KG)
        yield 0.0 if held is None else 1e3 * (held[0] + held[1])

    yield (
        "origins",
        lambda: sum(
            i * (line.origin_s - o)
            for i, (line, o) in enumerate(zip(drip.start(0.0).lines, WEIGHING.origins_s, strict=True), 1)
        ),
    )
    yield "drip", lambda: sum(fitted(1, dripped, 240.0))
    yield "a gulp in it", lambda: sum(fitted(2, lambda t: dripped(t) + landed(t, 120.0, 0.012, 2.0), 240.0))
    yield (
        "a flush in it",
        lambda: sum(fitted(3, lambda t: dripped(t) + 0.004 * max(0.0, t - 120.0) ** 1.2, 200.0)),
    )
    yield "an early gush", lambda: sum(fitted(4, lambda t: dripped(t) + landed(t, 52.0, 0.02, 2.0), 160.0))
    yield "a slow swell", lambda: sum(fitted(5, lambda t: dripped(t) + 1e-5 * max(0.0, t - 90.0) ** 2, 220.0))
    yield (
        "a gulp beside a flow",
        lambda: sum(
            fitted(6, lambda t: dripped(t) + landed(t, 120.0, 0.012, 2.0) + 4e-4 * max(0.0, t - 124.0), 200.0)
        ),
    )
    broken = drip.start(0.0)
    for t_s, kg in noisy(7, 160.0, lambda t: dripped(t) + landed(t, 90.0, 0.05), 2.0):
        if t_s == 92.0:
            broken = drip.break_off(broken, 90.0, 92.0)
        broken = drip.add(broken, t_s, kg)
    ahead = drip.forecast(broken, 160.0, NOISE_KG, 0.002)
    assert ahead is not None
    yield (
        "a break",
        lambda: 1e3 * (ahead.still_to_come_kg + ahead.u_kg) + len(broken.pending) + broken.n + broken.past_n,
    )


def weighing_rests() -> Probes:
    def told(kg: Any, seed: int, until_s: float, wet: bool = True) -> float:
        quiet = rest.Rest()
        for t_s, now_kg in noisy(seed, until_s, kg, 1.0):
            quiet = quiet.add(t_s, now_kg)
        drift = quiet.drift(until_s, NOISE_KG, wet)
        gained, u_gained = (
            drift.gained_kg(until_s, until_s + 200.0),
            drift.u_gained_kg(until_s, until_s + 200.0),
        )
        return 1e6 * (gained + u_gained + drift.u_rate_kg_s(until_s + 60.0)) + len(quiet.blocks)

    yield "dries", lambda: told(lambda t: 3.0 + 0.05 * math.exp(-t / 700.0), 1, 420.0)
    yield "long since", lambda: told(lambda t: 3.0 + 0.1 * math.exp(-t / 300.0), 2, 3600.0)
    yield "hardly", lambda: told(lambda t: 3.0 - 2e-6 * t, 3, 200.0)
    yield "just now", lambda: told(lambda t: 3.0, 4, 12.0)
    yield "three blocks", lambda: told(lambda t: 3.0 - 1e-4 * t, 4, 25.0)
    yield "after a thing", lambda: told(lambda t: 3.0 - 5e-5 * t + (0.002 if t < 60.0 else 0.0), 5, 160.0)
    yield (
        "after a small thing",
        lambda: told(lambda t: 3.0 - 5e-5 * t + (0.0009 if t < 60.0 else 0.0), 6, 160.0),
    )
    watch = rest.Watch(0.0, 0.0)
    for t_s, kg in noisy(7, 120.0, lambda t: 2e-5 * t, 1.0):
        watch = watch.add(t_s, kg)
    yield "leak", lambda: 1e9 * watch.slope.kg_s + watch.slope.n
    yield "leak's limit", lambda: leak.watch(watch.slope.kg_s, 1e-7, 0.0, 1e-7, 870.0).limit_l_h
