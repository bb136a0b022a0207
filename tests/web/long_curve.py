"""A job's raw samples as long as is asked for: what its picture is moved over."""

import math
from collections.abc import Iterator
from pathlib import Path

from hardware.sample import Sample

RATE_HZ = 80
JOB_TOML = Path(__file__).parents[1] / "data" / "bus7_axle.toml"
KNOCK_COUNTS = 500_000
SHARES = {"drain_open": 0.0, "drain_done": 0.5, "reseal_done": 0.6, "fill_start": 0.7, "plug_in": 0.9}
"""At which part of the whole each mark is set."""


def samples(pan_samples: int) -> Iterator[Sample]:
    """The pan at its converter's rate, beside it what a job has: temperatures each second, the meter, the pump, marks."""
    marks = {int(share * pan_samples): mark for mark, share in SHARES.items()}
    begun, ended = (int(SHARES[mark] * pan_samples) for mark in ("fill_start", "plug_in"))
    for n in range(pan_samples):
        t_s = n / RATE_HZ
        if n in marks:
            yield Sample(t_s, "mark", marks[n])
        if n in (begun + 1, ended):
            yield Sample(t_s, "pump", int(n < ended))
        wave = 20_000.0 * math.sin(t_s / 300.0) + 25.0 * math.sin(t_s * 7.0)
        knock = KNOCK_COUNTS if n == pan_samples // 3 else 0
        yield Sample(t_s, "pan", 284_000 + int(wave) + knock)
        if begun <= n < ended and n % 8 == 0:
            yield Sample(t_s, "meter", (n - begun) * 1156 // (ended - begun))
        if n % RATE_HZ == 0:
            yield Sample(t_s, "air_c", 15.0 + math.sin(t_s / 900.0))
            yield Sample(t_s, "fluid_drained_c", 45.0 - 10.0 * n / pan_samples)
