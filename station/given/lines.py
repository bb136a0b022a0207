"""The calibrated lines of a bay: from count to indicated mass, from pulse to volume."""

import math
from dataclasses import asdict, dataclass
from typing import Any

from calibration.meter import MeterCurve
from station.common.section import Section
from station.errors import InputError


@dataclass(frozen=True)
class PanLine:
    """mass_kg = d · kg_per_count + d² · kg_per_count2 with d = count − zero_count, and what is doubtful about it.

    u_rel: standard uncertainty of the slope, relative, with dof_slope degrees of freedom. noise_counts: standard
    deviation of one reading. creep_rel: standard uncertainty from creep, relative to the load. u_indication_kg:
    repeatability and hysteresis of one weighing.
    """

    zero_count: float
    kg_per_count: float
    u_rel: float
    noise_counts: float
    creep_rel: float = 0.0002
    kg_per_count2: float = 0.0
    u_indication_kg: float = 0.0
    dof_slope: float = math.inf

    def indicated_kg(self, count: float) -> float:
        d = count - self.zero_count
        return d * (self.kg_per_count + d * self.kg_per_count2)

    @property
    def noise_kg(self) -> float:
        return self.noise_counts * abs(self.kg_per_count)

    def to_table(self) -> dict[str, Any]:
        """The [pan] table, without what is at its default."""
        return {k: v for k, v in asdict(self).items() if v != PanLine.__dataclass_fields__[k].default}


def read_pan(section: Section) -> PanLine:
    """Read [pan]. Raises InputError."""
    slope = section.number("kg_per_count")
    if slope == 0:
        raise InputError(f"{section.where} kg_per_count = 0; expected the slope of the load-cell line.")
    return PanLine(
        section.number("zero_count"),
        slope,
        section.number("u_rel", least=0.0),
        section.number("noise_counts", least=0.0),
        section.number("creep_rel", 0.0002, least=0.0),
        section.number("kg_per_count2", 0.0),
        section.number("u_indication_kg", 0.0, least=0.0),
        section.number("dof_slope", math.inf, least=1.0, finite=False),
    )


@dataclass(frozen=True)
class MeterLine:
    """k_factor_per_l: pulses per litre in the fresh fluid. u_rel: its relative standard uncertainty, with dof.

    curve: K-factor over flow and viscosity, where provings showed that one value does not do.
    """

    k_factor_per_l: float
    u_rel: float
    dof: float = math.inf
    curve: MeterCurve | None = None

    def k_at(self, flow_l_min: float, kv_mm2_s: float | None) -> float:
        """Pulses per litre at a flow and viscosity; the nearest proved condition where these were not proved."""
        if self.curve is None or kv_mm2_s is None:
            return self.k_factor_per_l
        return self.curve.nearest_k_factor_per_l(flow_l_min, kv_mm2_s)[0]

    def to_table(self) -> dict[str, Any]:
        """The [meter] table, without what is at its default."""
        table: dict[str, Any] = {"k_factor_per_l": self.k_factor_per_l, "u_rel": self.u_rel}
        if self.dof != math.inf:
            table["dof"] = self.dof
        if self.curve is not None:
            table["curve"] = {k: _lists(v) for k, v in asdict(self.curve).items()}
        return table


def _lists(value: Any) -> Any:
    return [_lists(x) for x in value] if isinstance(value, tuple) else value


def _tuples(value: Any) -> Any:
    return tuple(_tuples(x) for x in value) if isinstance(value, list) else value


def read_meter(section: Section) -> MeterLine:
    """Read [meter]. Raises InputError."""
    curve = None
    table = section.table.get("curve")
    section.seen.add("curve")
    if table is not None:
        try:
            curve = MeterCurve(**{key: _tuples(value) for key, value in dict(table).items()})
            curve.nearest_k_factor_per_l(1.0, 100.0)
        except (TypeError, ValueError, IndexError) as error:
            raise InputError(
                f"{section.where} curve: {error}; expected a table that a proving wrote."
            ) from error
    return MeterLine(
        section.number("k_factor_per_l", above=0.0),
        section.number("u_rel", least=0.0),
        section.number("dof", math.inf, least=1.0, finite=False),
        curve,
    )
