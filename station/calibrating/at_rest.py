"""The pan at rest, in counts: its newest readings, and what they say once nothing moves."""

import math

from hardware.sample import Sample
from station.common.digits import number
from station.common.words import _
from station.errors import InputError
from station.weighing import pan
from station.weighing.limits import LIMITS as WEIGHING
from station.weighing.lines import Level, fit_level

CALM_FACTOR = 3.0
LEAST_READINGS = 20
EMPTY_WITHIN_KG = 0.1
"""Two hundredths of a 5 kg cell: no zero moves so far by itself, and a mouthful of old oil weighs more. Assumption."""

LOAD_WITHIN_REL = 0.1
"""A line in use that is farther off than this is asked about; nobody takes one weight for another that is so near. Assumption."""


def need_empty(off_kg: float) -> None:
    """What stands in a pan that is read as empty would be in its zero. off_kg: from what an empty one is known to show, or by
    a line whose zero nobody took with this pan.
    Raises InputError."""
    if abs(off_kg) > EMPTY_WITHIN_KG:
        raise InputError(
            _(
                "The pan is to be empty, and shows {off_kg} kg. Take everything off it and pour out what is in it. If it is empty, read it once more."
            ).format(off_kg=number(off_kg, ".2f"))
        )


def need_load(load_kg: float, shown_kg: float) -> None:
    """A load that nobody put on would bend the line. shown_kg: by what was read before, or by the line in use. Raises InputError."""
    if abs(shown_kg - load_kg) > LOAD_WITHIN_REL * load_kg + EMPTY_WITHIN_KG:
        raise InputError(
            _(
                "The pan is to carry {load_kg} kg, and shows {shown_kg} kg. Put just that load on. If it is on, read it once more, and strike whatever was read wrongly before."
            ).format(load_kg=number(load_kg, "g"), shown_kg=number(shown_kg, ".2f"))
        )


class AtRest:
    """Fed with every sample while somebody weighs by hand."""

    def __init__(self) -> None:
        self._source = "pan"
        self._window: tuple[tuple[float, float], ...] = ()
        self.t_s = 0.0
        self.air_c: float | None = None

    def begin(self, source: str = "pan") -> None:
        """What was read before somebody began to weigh says nothing. source: the pan that is weighed on."""
        self._source, self._window = source, ()

    def take(self, sample: Sample) -> None:
        self.t_s = sample.t_s
        if sample.source == "air_c":
            self.air_c = float(sample.value)
        if sample.source == self._source and sample.value not in pan.SATURATED:
            recent = (p for p in self._window if p[0] >= sample.t_s - WEIGHING.window_s)
            self._window = (*recent, (sample.t_s, float(sample.value)))

    def level(self, noise_counts: float) -> tuple[Level, float]:
        """The level now, its unit being counts, and the scatter about it. Raises InputError while the pan is not at
        rest."""
        level = fit_level(self._window, self.t_s, noise_counts)
        if level is None or len(self._window) < LEAST_READINGS or self.t_s - self._window[-1][0] > 1.0:
            raise InputError(
                _("The pan has not been read for six seconds yet. Wait, or check the load cell.")
            )
        spread = [count - level.kg for _, count in self._window]
        sd = math.sqrt(sum(x * x for x in spread) / (len(spread) - 1))
        if sd > CALM_FACTOR * noise_counts:
            raise InputError(
                _(
                    "The pan is not at rest: readings scatter by {sd} counts, {noise_counts} is usual. Keep hands off it."
                ).format(sd=number(sd, ".0f"), noise_counts=number(noise_counts, "g"))
            )
        return level, sd
