"""Both estimators on the same seeded streams: bolts, knocks, tools, a wrench laid down, in drip and in bulk flow."""

import math
import random
import time
from collections.abc import Iterator
from dataclasses import dataclass, field

from hardware.simulated.disturbance import Disturbances
from station.weighing import pan
from station.weighing.jumps import Jump
from station.weighing.limits import LIMITS as WEIGHING
from tests.study.kalman import Kalman

DT_S = 0.1
NOISE_KG = 1.2e-4
AT_S = 20.0
SCENES = ("nothing", "bolt", "knock", "tool", "wrench")
FLOWS = {"drip": 0.0004, "bulk": 0.04}


@dataclass
class Score:
    """found: of the steps that were there. false: steps told that were none. errors_kg: of the steps found."""

    n: int = 0
    found: int = 0
    false: int = 0
    errors_kg: list[float] = field(default_factory=list)
    covered: int = 0
    late_s: list[float] = field(default_factory=list)
    took_s: float = 0.0
    readings: int = 0


def stream(scene: str, flow: str, seed: int) -> tuple[float, list[tuple[float, float]]]:
    """The step that there is, kg, and a minute of readings."""
    rng = random.Random(f"{scene} {flow} {seed}")
    forces = Disturbances(random.Random(f"forces {scene} {flow} {seed}"))
    at_s, step_kg = AT_S + rng.uniform(0.0, 10.0), 0.0
    fluid_kg, kg_s, done, readings = 1.5 + rng.random(), FLOWS[flow], False, []
    for i in range(round(60.0 / DT_S)):
        t_s = i * DT_S
        stream_kg_s = kg_s * math.exp(-t_s / 60.0) * (1.0 + 0.2 * math.sin(0.9 * t_s))
        if not done and t_s >= at_s:
            done = True
            if scene == "bolt":
                step_kg = 0.02
                forces.drop(t_s, step_kg)
            elif scene == "knock":
                forces.kick(t_s, rng.uniform(0.2, 2.0))
            elif scene == "tool":
                forces.tool(t_s, rng.uniform(3.0, 15.0), rng.uniform(0.002, 0.02))
            elif scene == "wrench":
                step_kg = 0.25
                forces.lay(t_s, step_kg)
        fluid_kg += stream_kg_s * DT_S
        for part in (0.5, 1.0):
            forces.advance(t_s + part * DT_S, DT_S / 2, stream_kg_s)
        readings.append((t_s + DT_S, forces.felt_kg(t_s + DT_S, fluid_kg) + rng.gauss(0.0, NOISE_KG)))
    return step_kg, readings


def _segmented(readings: list[tuple[float, float]]) -> Iterator[Jump]:
    track = pan.PanTrack()
    for t_s, kg in readings:
        track, jump = pan.add(track, t_s, kg, NOISE_KG)
        if jump is not None:
            track = pan.resume(track, jump, jump.kg != 0.0, NOISE_KG)
            yield jump


def _kalman(readings: list[tuple[float, float]]) -> Iterator[Jump]:
    filtered = Kalman(NOISE_KG)
    for t_s, kg in readings:
        jump = filtered.add(t_s, kg)
        if jump is not None:
            yield jump


DESIGNS = {"segmented regression": _segmented, "Kalman filter": _kalman}


def study(runs: int) -> dict[tuple[str, str, str], Score]:
    """Score of (design, flow, scene) over so many seeded streams each."""
    scores: dict[tuple[str, str, str], Score] = {}
    for flow in FLOWS:
        least_kg = 0.001 if flow == "drip" else WEIGHING.splash_kg + WEIGHING.splash_s * FLOWS[flow]
        for scene in SCENES:
            streams = [stream(scene, flow, seed) for seed in range(runs)]
            for design, run in DESIGNS.items():
                score = scores[design, flow, scene] = Score()
                for step_kg, readings in streams:
                    began_s = time.perf_counter()
                    jumps = [j for j in run(readings) if abs(j.kg) > least_kg]
                    score.took_s += time.perf_counter() - began_s
                    score.readings += len(readings)
                    _count(score, step_kg, jumps)
    return scores


def _count(score: Score, step_kg: float, jumps: list[Jump]) -> None:
    score.n += 1
    hit = next((j for j in jumps if step_kg and abs(j.kg - step_kg) < 0.3 * step_kg), None)
    score.false += sum(j is not hit for j in jumps)
    if hit is not None:
        score.found += 1
        score.errors_kg.append(hit.kg - step_kg)
        score.covered += abs(hit.kg - step_kg) <= 2.0 * hit.u_kg
        score.late_s.append(hit.end_t_s - hit.t_s)


def text(scores: dict[tuple[str, str, str], Score]) -> str:
    """The comparison as Markdown."""
    out = [
        "| design | flow | scene | streams | step found | false steps | error, g rms | within 2 u | told after, s | µs per reading |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for (design, flow, scene), s in scores.items():
        has = scene in ("bolt", "wrench")
        rms = math.sqrt(sum(e**2 for e in s.errors_kg) / s.found) * 1000.0 if s.found else math.nan
        late = sum(s.late_s) / s.found if s.found else math.nan
        out.append(
            f"| {design} | {flow} | {scene} | {s.n} | {f'{100 * s.found / s.n:.0f} %' if has else ''} | {s.false} | "
            f"{f'{rms:.2f}' if has else ''} | {f'{100 * s.covered / max(1, s.found):.0f} %' if has else ''} | "
            f"{f'{late:.1f}' if has else ''} | {1e6 * s.took_s / s.readings:.0f} |"
        )
    return "\n".join(out)
