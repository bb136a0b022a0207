"""Leak watch: the pan's slope after the plug is in bounds what can be leaking.

Source: detection limit after L. A. Currie, "Limits for qualitative detection and quantitative determination", Anal. Chem.
40 (1968) 586, with 5 % chances of a false alarm and of a miss: L_C = 1.645 u, L_D = 3.29 u (from memory).

A pan that dries is thought to gain what it no longer loses. That part nobody saw come, and drying may end within a minute: a
leak is found by what is left without it. Where nothing is, the watch leaves it open.
"""

import math
from dataclasses import dataclass

from calibration.budget import expanded
from station.common.digits import local, number, stated
from station.common.words import _
from station.weighing.limits import LIMITS

ONE_SIDED_95 = 1.645


@dataclass(frozen=True)
class LeakWatch:
    """rate: what came if the pan drifted on as before, with its standard uncertainty, L/h. unseen: how much of that it may only
    have lost less. limit: the smallest leak that this watch would find or leave open 19 times out of 20."""

    rate_l_h: float
    u_l_h: float
    unseen_l_h: float = 0.0

    @property
    def likely_l_h(self) -> float:
        """The middle of what may leak; the rate itself where that is within its doubt of nothing."""
        return self.rate_l_h - 0.5 * self.unseen_l_h if self._gained else self.rate_l_h

    @property
    def u95_l_h(self) -> float:
        unseen_l_h = self.unseen_l_h if self._gained else 0.0
        # its u rests on the noise that a pan was calibrated with, and on what is assumed of a cell: many degrees of freedom
        return expanded(math.hypot(self.u_l_h, unseen_l_h / (2.0 * math.sqrt(3.0))))

    @property
    def limit_l_h(self) -> float:
        return 2.0 * ONE_SIDED_95 * self.u_l_h

    @property
    def _gained(self) -> bool:
        return self.rate_l_h > self.limit_l_h / 2.0

    @property
    def found(self) -> bool:
        return self.rate_l_h - self.unseen_l_h > self.limit_l_h / 2.0

    @property
    def unsure(self) -> bool:
        """It leaks, or something in the pan stopped drying: the pan alone cannot tell."""
        return self._gained and not self.found

    @property
    def text(self) -> str:
        if self.found:
            told = stated(self.likely_l_h, self.u95_l_h, 3)
            return _("Leak of {value} ± {u95} mL/h.").format(value=local(told.value), u95=local(told.u95))
        above = max(self.limit_l_h, self.rate_l_h + ONE_SIDED_95 * self.u_l_h)
        ceil = number(math.ceil(above * 1000), ".0f")
        if self.unsure:
            return _("Either something in the pan stopped drying, or up to {ceil} mL/h leak.").format(
                ceil=ceil
            )
        return _("No leak above {ceil} mL/h.").format(ceil=ceil)


def watch(
    slope_kg_s: float, u_slope_kg_s: float, drift_kg_s: float, u_drift_kg_s: float, density_kg_m3: float
) -> LeakWatch:
    """slope: of the pan since the plug went in. drift: of the pan by itself. All with standard uncertainties."""
    u_kg_s = math.sqrt(u_slope_kg_s**2 + u_drift_kg_s**2 + LIMITS.u_cell_kg_s**2)
    to_l_h = 3600.0 * 1000.0 / density_kg_m3
    rate_l_h = (slope_kg_s - drift_kg_s) * to_l_h
    return LeakWatch(rate_l_h, u_kg_s * to_l_h, max(0.0, min(rate_l_h, -drift_kg_s * to_l_h)))
