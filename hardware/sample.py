"""The one thing that every device produces."""

import math
from collections.abc import Callable
from typing import NamedTuple


class Sample(NamedTuple):
    """One raw reading at one moment.

    t_s: monotonic seconds (the system's CLOCK_MONOTONIC; a virtual clock in rehearsals).
    source: where it came from, for instance ``pan``, ``meter`` or ``fluid_supply_c``.
    value: a whole count, a level 0/1, a temperature in °C, or a word.
    """

    t_s: float
    source: str
    value: int | float | str


class Thinned:
    """Passes samples on, those of one source at most once a second: a container changes slowly, and each one is kept."""

    EVERY_S = 1.0

    def __init__(self, source: str, put: Callable[[Sample], None]) -> None:
        self._source, self._put = source, put
        self._due_s = -math.inf

    def __call__(self, sample: Sample) -> None:
        if sample.source == self._source:
            if sample.t_s < self._due_s:
                return
            self._due_s = sample.t_s + self.EVERY_S
        self._put(sample)
