"""A stream as a bay on a Pi gives it: pan 10 Hz, meter 20 Hz, thermometers 1 Hz, each some milliseconds late now and then."""

import random

from hardware.sample import Sample

NOISE_COUNTS = 25.0
LATE_S = 0.0006
"""How late a thread usually is (from memory of a Pi under light load); one sample in fifty is later by up to 8 ms."""


def live_stream(rng: random.Random, minutes: float, start_s: float = 12345.678) -> list[Sample]:
    raw: list[tuple[float, str, float]] = []
    pulses, count = 0, 84213.0
    for k in range(round(minutes * 60 * 20)):
        t_s = start_s + k * 0.05
        flow = minutes * 20 < k / 60 < minutes * 40  # the middle third
        pulses += rng.choice((1, 1, 2)) if flow else 0
        raw.append((t_s, "meter", pulses))
        if k % 2 == 0:
            count += 900.0 if flow else 0.0
            raw.append((t_s, "pan", round(count + rng.gauss(0.0, NOISE_COUNTS))))
        if k % 20 == 0:
            for source, base_c in (("air_c", 18.0), ("fluid_drained_c", 41.0), ("fluid_supply_c", 19.0)):
                raw.append((t_s, source, round((base_c + rng.gauss(0.0, 0.1)) * 16) / 16))
    samples: list[Sample] = []
    newest = 0.0
    for t_s, source, value in raw:
        late_s = abs(rng.gauss(0.0, LATE_S)) + (rng.random() < 0.02) * rng.random() * 0.008
        newest = max(newest, round(t_s + late_s, 3))
        samples.append(Sample(newest, source, value))
    return samples
