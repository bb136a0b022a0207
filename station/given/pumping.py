"""What a pump can do: its flow over viscosity, its limits, its second speed."""

import math
from dataclasses import asdict, dataclass
from typing import Annotated, Any

from pydantic import Field

from station.given.limits import LIMITS


@dataclass(frozen=True)
class PumpLine:
    """flow_l_min / (1 + ν / kv_half_mm2_s) is what it moves at a viscosity ν, to be measured when it is fitted.

    max_kv_mm2_s: thicker fluid strains it. fine_share: flow of the slow speed as a share of the fast one's; 0 without
    one. fine_l: what is left to go when it changes to the slow speed.
    """

    flow_l_min: Annotated[float, Field(gt=0.0, le=200.0, description="write litres per minute, such as 3.6")]
    kv_half_mm2_s: Annotated[
        float, Field(gt=0.0, le=1e6, description="write the viscosity in mm²/s at which the flow is half")
    ] = 900.0
    max_kv_mm2_s: Annotated[
        float,
        Field(gt=0.0, le=1e6, description="write the highest viscosity that the pump may move, in mm²/s"),
    ] = 10_000.0
    fine_share: Annotated[
        float,
        Field(ge=0.0, le=1.0, description="write the slow speed's share of the flow; 0 without a slow speed"),
    ] = 0.0
    fine_l: Annotated[
        float,
        Field(ge=0.0, le=10.0, description="write the litres to go at which it turns slow, such as 0.15"),
    ] = 0.15

    def flow_at_l_min(self, kv_mm2_s: float | None, fine: bool = False) -> float | None:
        """Flow at a viscosity in mm²/s; None where that is not known."""
        if kv_mm2_s is None:
            return None
        return self.flow_l_min * (self.fine_share if fine else 1.0) / (1.0 + kv_mm2_s / self.kv_half_mm2_s)

    def to_table(self) -> dict[str, Any]:
        """The [pump] table of JOB.toml."""
        return asdict(self)


@dataclass(frozen=True)
class UsualFlow:
    """What the pump really moved with a fluid, as a share of its line: mean and variance over clean stops, the older the
    less (an exponentially weighted mean, so that a pump may wear). stops: how many."""

    mean: float = 1.0
    variance: float = 0.0
    stops: int = 0

    def learn(self, flow_l_min: float, line: PumpLine | None, kv_mm2_s: float | None) -> "UsualFlow":
        """Take in the flow at one clean stop at full speed; a flow nearer to the slow speed's is left out."""
        can = None if line is None else line.flow_at_l_min(kv_mm2_s)
        if line is None or not can or flow_l_min < 0.5 * (1.0 + line.fine_share) * can:
            return self
        share, weight = flow_l_min / can, max(LIMITS.usual_weight, 1.0 / (self.stops + 1))
        off = share - self.mean
        mean = self.mean + weight * off
        variance = (1.0 - weight) * (self.variance + weight * off * off)
        return UsualFlow(mean, variance if self.stops else 0.0, self.stops + 1)

    def bounds(self) -> tuple[float, float] | None:
        """Shares of the line between which the flow is as usual; None before enough was seen."""
        if self.stops < LIMITS.usual_stops:
            return None
        wide = max(LIMITS.usual_least_rel * self.mean, LIMITS.usual_times * math.sqrt(self.variance))
        return self.mean - wide, self.mean + wide
