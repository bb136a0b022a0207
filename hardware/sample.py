"""The one thing that every device produces."""

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
