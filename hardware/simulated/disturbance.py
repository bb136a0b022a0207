"""What a workshop does to a pan on load cells: knocks, air tools, splashing, bolts, wrenches, hands, solvent.

Forces over time, as a cell would feel them. The station's own picture is simpler on purpose, and these differ from
it in kind: a stream sets the fluid swinging at the pan's own frequency instead of adding white noise; a dropped bolt
rings; a hand lays a wrench down along an S-shaped push instead of a step; a lift tugs before it lifts; an air tool
is a beat that aliases into the converter's rate; solvent leaves in proportion to what is left instead of along a
line; the zero follows a swinging air temperature instead of a random walk alone.
"""

import math
import random
from dataclasses import dataclass, field

SLOSH_HZ = 1.3
SLOSH_DAMPING = 0.08
SLOSH_S = 0.05
"""Standard deviation of the swing per stream, kg per kg/s: a stream that fell 0.3 m presses with a quarter of what it
brings in a second, and about a fifth of that comes and goes."""
TUG_KG = 0.6
"""What hands press and pull while they move a pan."""


@dataclass
class _Ring:
    t_s: float
    kg: float
    decay_s: float
    hz: float


@dataclass
class _Push:
    """A load that a hand brings on or takes off between t_s and t_s + lasts_s."""

    t_s: float
    kg: float
    lasts_s: float


@dataclass
class Disturbances:
    """The forces beside the weight. loose_kg: what lies on the pan and is not fluid."""

    random: random.Random
    loose_kg: float = 0.0
    solvent_kg: float = 0.0
    evaporation_s: float = 4000.0
    off_centre_rel: float = 0.0
    tare_change_kg: float = 0.0
    lifted_until_s: float = -math.inf
    _rings: list[_Ring] = field(default_factory=list)
    _pushes: list[_Push] = field(default_factory=list)
    _flush_kg_s: float = 0.0
    _flush_left_kg: float = 0.0
    _tool: tuple[float, float, float] = (-math.inf, 0.0, 0.0)
    _slosh_kg: float = 0.0
    _slosh_kg_s: float = 0.0

    def kick(self, t_s: float, kg: float = 1.5) -> None:
        """A knock: it rings for about two seconds."""
        self._rings.append(_Ring(t_s, kg, 0.5, 4.934))

    def drop(self, t_s: float, kg: float) -> None:
        """Something falls onto the pan: its weight at once, and a ring of a few times that."""
        self.loose_kg += kg
        self._rings.append(_Ring(t_s, 3.0 * kg, 0.25, 6.1))

    def lay(self, t_s: float, kg: float, lasts_s: float | None = None) -> None:
        """A hand lays something down (kg above zero) or takes it off (below), in lasts_s or as quickly as hands are."""
        if lasts_s is None:
            lasts_s = self.random.uniform(0.25, 0.6)
        self._pushes.append(_Push(t_s, kg, lasts_s))

    def tool(self, t_s: float, lasts_s: float, kg: float) -> None:
        """An air tool works on the same frame."""
        self._tool = (t_s, lasts_s, kg)

    def shift(self, t_s: float, off_centre_rel: float) -> None:
        """The pan is pushed to a corner: hands on it for a second, then a slightly different slope."""
        self._rings.append(_Ring(t_s, TUG_KG, 0.35, 1.9))
        self.off_centre_rel = off_centre_rel

    def lift(self, t_s: float, lasts_s: float, tare_change_kg: float = 0.0) -> None:
        """The pan is taken off and put back after lasts_s, perhaps another one."""
        self._rings.append(_Ring(t_s, TUG_KG, 0.2, 2.3))
        self._rings.append(_Ring(t_s + lasts_s, TUG_KG, 0.3, 3.1))
        self.lifted_until_s = t_s + lasts_s
        self.tare_change_kg += tare_change_kg

    def flush(self, kg: float, kg_s: float) -> None:
        """Solvent from a can: kg in all, kg_s at a time."""
        self._flush_left_kg, self._flush_kg_s = kg, kg_s

    def advance(self, t_s: float, dt_s: float, stream_kg_s: float) -> None:
        """Let dt_s pass up to t_s, with a stream of stream_kg_s falling into the pan."""
        if self._flush_left_kg > 0 and t_s % 5.0 < 3.0:  # a can is pressed and let go
            came_kg = min(self._flush_left_kg, self._flush_kg_s * dt_s)
            self._flush_left_kg -= came_kg
            self.solvent_kg += came_kg
            stream_kg_s += self._flush_kg_s
        if self.solvent_kg > 0:
            self.solvent_kg -= self.solvent_kg * dt_s / self.evaporation_s
        for push in [p for p in self._pushes if t_s >= p.t_s + p.lasts_s]:
            self._pushes.remove(push)
            self.loose_kg += push.kg
        self._rings = [r for r in self._rings if t_s - r.t_s < 8.0 * r.decay_s]
        if stream_kg_s > 1e-4 or abs(self._slosh_kg) > 1e-6:
            omega = 2.0 * math.pi * SLOSH_HZ
            q = (SLOSH_S * stream_kg_s) ** 2 * 4.0 * SLOSH_DAMPING * omega**3
            self._slosh_kg_s += dt_s * (
                -2.0 * SLOSH_DAMPING * omega * self._slosh_kg_s - omega**2 * self._slosh_kg
            ) + self.random.gauss(0.0, math.sqrt(q * dt_s))
            self._slosh_kg += dt_s * self._slosh_kg_s
        else:
            self._slosh_kg = self._slosh_kg_s = 0.0

    def lifted(self, t_s: float) -> bool:
        return t_s < self.lifted_until_s

    def felt_kg(self, t_s: float, pan_and_fluid_kg: float) -> float:
        """What presses on the cell at t_s, pan_and_fluid_kg being what would rest there undisturbed."""
        resting_kg = pan_and_fluid_kg + self.loose_kg + self.solvent_kg + self.tare_change_kg
        kg = 0.0 if self.lifted(t_s) else resting_kg * (1.0 + self.off_centre_rel) + self._slosh_kg
        for push in self._pushes:
            x = max(0.0, min(1.0, (t_s - push.t_s) / push.lasts_s))
            kg += push.kg * (x * x * (3.0 - 2.0 * x) + 0.8 * x * (1.0 - x))
        for ring in self._rings:
            age_s = t_s - ring.t_s
            if age_s >= 0:
                kg += ring.kg * math.exp(-age_s / ring.decay_s) * math.sin(2.0 * math.pi * ring.hz * age_s)
        since_s, lasts_s, tool_kg = self._tool
        if since_s <= t_s < since_s + lasts_s:
            kg += tool_kg * (
                math.sin(2.0 * math.pi * 23.7 * t_s) + 0.6 * math.sin(2.0 * math.pi * 41.3 * t_s + 1.0)
            )
        return kg
