"""The pan's stream: calm stretches, and jumps between them measured without being judged."""

import math
import random
from collections.abc import Callable

import pytest

from hardware.simulated.disturbance import Disturbances
from station.weighing import pan
from station.weighing.jumps import Jump

NOISE_KG = 1.2e-4


def play(
    kg: Callable[[float], float], seconds: float, seed: int = 1, rate_hz: float = 10.0
) -> tuple[pan.PanTrack, list[Jump]]:
    """Feed kg(t) with noise; every jump with a step is taken out."""
    rng, track, jumps = random.Random(seed), pan.PanTrack(), []
    for i in range(round(seconds * rate_hz)):
        t_s = i / rate_hz
        track, jump = pan.add(track, t_s, kg(t_s) + rng.gauss(0.0, NOISE_KG), NOISE_KG)
        if jump is not None:
            jumps.append(jump)
            track = pan.resume(track, jump, jump.kg != 0.0, NOISE_KG)
    return track, jumps


@pytest.mark.parametrize("seed", range(20))
def test_a_calm_pan_has_no_jumps(seed: int) -> None:
    track, jumps = play(lambda t: 1.5 + 1e-4 * math.sqrt(t), 300.0, seed)
    assert [j for j in jumps if j.kg != 0.0] == []
    assert track.offset_kg == 0.0


@pytest.mark.parametrize("step_kg", [0.005, 0.02, 0.6, -0.25])
def test_a_step_is_measured_and_taken_out(step_kg: float) -> None:
    track, jumps = play(lambda t: 1.5 + (step_kg if t > 20.03 else 0.0), 40.0)
    steps = [j for j in jumps if j.kg != 0.0]
    assert len(steps) == 1
    assert steps[0].kg == pytest.approx(step_kg, abs=3 * NOISE_KG)
    assert abs(steps[0].kg - step_kg) < 3 * steps[0].u_kg
    assert steps[0].t_s == pytest.approx(20.1, abs=0.11)
    assert steps[0].rise_s < 0.3
    assert track.median_kg == pytest.approx(1.5, abs=4 * NOISE_KG)


def test_a_step_is_told_within_two_seconds() -> None:
    _, jumps = play(lambda t: 1.5 + (0.02 if t > 20.0 else 0.0), 40.0)
    assert jumps[0].end_t_s - 20.0 < 2.0


def test_flow_that_starts_and_stops_is_no_step() -> None:
    """Two corners, no jump: 2 kg in 40 s, at once and at once no more."""
    track, jumps = play(lambda t: 1.5 + 0.05 * min(40.0, max(0.0, t - 20.0)), 100.0)
    assert [j.kg for j in jumps if j.kg != 0.0] == []
    assert track.median_kg == pytest.approx(3.5, abs=4 * NOISE_KG)


def test_a_knock_swings_both_ways_and_leaves_nothing() -> None:
    forces = Disturbances(random.Random(1))
    forces.kick(20.0)
    track, jumps = play(lambda t: forces.felt_kg(t, 1.5), 40.0)
    assert len(jumps) == 1
    assert jumps[0].kg == 0.0
    assert jumps[0].swing_kg > 0.1
    assert track.median_kg == pytest.approx(1.5, abs=4 * NOISE_KG)


def test_one_reading_alone_moves_nothing() -> None:
    track, jumps = play(lambda t: 1.5 + (3.0 if 19.95 < t < 20.05 else 0.0), 21.0)
    assert jumps == []
    assert max(kg for _, kg in track.window) < 1.501


def test_slower_rises_are_slower() -> None:
    """A gulp, 20 g with a time constant of 0.8 s, takes 1.1 s from a fifth to four fifths."""
    _, jumps = play(lambda t: 1.5 + 0.02 * (1 - math.exp(-max(0.0, t - 20.0) / 0.8)), 40.0)
    steps = [j for j in jumps if j.kg != 0.0]
    assert len(steps) == 1
    assert steps[0].kg == pytest.approx(0.02, abs=0.002)
    assert steps[0].rise_s == pytest.approx(1.1, abs=0.3)


def test_eighty_readings_a_second_give_the_same_step_as_ten() -> None:
    for rate_hz in (10.0, 80.0):
        _, jumps = play(lambda t: 1.5 + (0.02 if t > 20.0 else 0.0), 30.0, rate_hz=rate_hz)
        assert [round(j.kg, 3) for j in jumps if j.kg] == [0.02]


def test_memory_stays_bounded_whatever_comes() -> None:
    rng, track = random.Random(3), pan.PanTrack()
    most = 0
    for i in range(6000):
        kg = 1.5 + rng.choice((0.0, 0.0, rng.uniform(-5.0, 5.0)))
        track, jump = pan.add(track, i / 10.0, kg, NOISE_KG)
        if jump is not None:
            track = pan.resume(track, jump, True, NOISE_KG)
        most = max(most, len(track.window) + len(track.calm) + len(track.episode) + len(track.readings))
    assert most < 600  # forty seconds of an episode and the windows
