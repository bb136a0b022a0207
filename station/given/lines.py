"""The calibrated lines of a bay: from count to indicated mass, from pulse to volume."""

import math
from dataclasses import asdict, dataclass
from typing import Annotated, Any

from pydantic import ConfigDict, Field, PlainValidator

from calibration.drift import METER_REL_PER_YEAR, PAN_REL_PER_YEAR, u_since_rel
from calibration.meter import MeterCurve
from station.common.schema import Expected, Table, read
from station.given.limits import LIMITS

FULL_COUNTS = float(1 << 23)
"""Of a signed 24-bit converter."""

Degrees = Annotated[
    float,
    Field(
        ge=1.0, allow_inf_nan=True, description="write the degrees of freedom, inf where they are not known"
    ),
]
AgeDays = Annotated[
    float,
    Field(ge=0.0, le=36_525.0, description="write how many days ago it was calibrated, such as 120"),
]
"""What an instrument moved by since then is one term with what it was calibrated to, of the same degrees of freedom: as a
term of its own it would lend some, and a certificate of a few readings would get a narrower U95 by growing old."""


@dataclass(frozen=True)
class PanLine:
    """mass_kg = d · kg_per_count + d² · kg_per_count2 with d = count − zero_count, and what is doubtful about it.

    u_rel: standard uncertainty of the slope, relative, with dof_slope degrees of freedom. noise_counts: standard
    deviation of one reading. creep_rel: standard uncertainty from creep, relative to the load. u_indication_kg:
    repeatability and hysteresis of one weighing. u_linearity_kg: of what the line misses between its known masses.
    u_kg_per_c: of the zero, for each kelvin that the cell warms. age_days: since it was calibrated. The defaults stand for what nobody examined: 0.02 % of
    full scale of a 10 kg cell, and per 10 K of one of 20 kg (from memory: good cells 0.02 %, cheap ones 0.05 %).
    """

    zero_count: Annotated[
        float, Field(ge=-FULL_COUNTS, le=FULL_COUNTS, description="write what the empty pan reads, in counts")
    ]
    kg_per_count: Annotated[
        float,
        Field(
            ge=1e-8,
            le=2.5e-3,
            description="write the slope in kilograms per count, such as 4.761e-6, above zero; where the count falls "
            "under load, swap the cell's two signal wires",
        ),
    ]
    u_rel: Annotated[
        float,
        Field(
            ge=0.0, le=0.05, description="write the slope's standard uncertainty as a share, such as 0.0005"
        ),
    ]
    noise_counts: Annotated[
        float, Field(ge=0.0, le=100_000.0, description="write the scatter of the pan at rest, such as 25")
    ]
    creep_rel: Annotated[
        float, Field(ge=0.0, le=0.05, description="write creep as a share of the load, such as 0.0002")
    ] = 0.0002
    kg_per_count2: Annotated[
        float,
        Field(
            ge=-1e-9, le=1e-9, description="write the bend in kilograms per count squared, or leave it out"
        ),
    ] = 0.0
    u_indication_kg: Annotated[
        float, Field(ge=0.0, le=1.0, description="write the repeatability of one weighing in kilograms")
    ] = 0.0
    dof_slope: Degrees = math.inf
    u_linearity_kg: Annotated[
        float,
        Field(
            ge=0.0, le=1.0, description="write what the line misses between its known masses, in kilograms"
        ),
    ] = 0.002
    u_kg_per_c: Annotated[
        float, Field(ge=0.0, le=0.1, description="write how far the zero moves per kelvin, in kilograms")
    ] = 0.0004
    age_days: AgeDays = 0.0

    def __post_init__(self) -> None:
        """Raises ValueError for a line that bends back."""
        if abs(self.kg_per_count2) * FULL_COUNTS > LIMITS.bends_back * abs(self.kg_per_count):
            raise ValueError(
                f"kg_per_count2 is {self.kg_per_count2!r}, which lets the line fall again under a heavy load; "
                "calibrate the pan again"
            )

    def indicated_kg(self, count: float) -> float:
        d = count - self.zero_count
        return d * (self.kg_per_count + d * self.kg_per_count2)

    def room_l(self, rim_l: float, holds_kg: float, kg_per_l: float) -> float:
        """What more a pan takes of a fluid: to its rim as it stands empty, or to the end of its converter's range.

        holds_kg: what lies on its cells now, as indicated. Below zero where they bear too much already.
        """
        return min(rim_l, (self.indicated_kg(FULL_COUNTS) - holds_kg) / kg_per_l)

    @property
    def u_now_rel(self) -> float:
        """Of the slope as it is now: what it was calibrated to, and what it may have moved by since."""
        return math.hypot(self.u_rel, u_since_rel(PAN_REL_PER_YEAR, self.age_days))

    @property
    def noise_kg(self) -> float:
        return self.noise_counts * abs(self.kg_per_count)

    def to_table(self) -> dict[str, Any]:
        """The [pan] table, without what is at its default."""
        return {k: v for k, v in asdict(self).items() if v != PanLine.__dataclass_fields__[k].default}


class _CurveTable(Table):
    """A curve holds from zero flow on without end where nothing bounds it: here infinity has a meaning."""

    model_config = ConfigDict(allow_inf_nan=True)
    curve: MeterCurve


def _curve(table: Any) -> MeterCurve:
    try:
        curve = read(_CurveTable, {"curve": table}, "there").curve
        flow_l_min = min(max(1.0, curve.flow_l_min[0]), curve.flow_l_min[1])
        kv_mm2_s = min(max(100.0, curve.kv_mm2_s[0]), curve.kv_mm2_s[1])
        k_per_l = curve.k_factor_per_l(flow_l_min, kv_mm2_s)
        u_per_l = curve.u_k_factor_per_l(flow_l_min, kv_mm2_s)
        if not (0.0 < k_per_l < math.inf and 0.0 <= u_per_l < k_per_l):
            raise ValueError(f"it comes to {k_per_l!r} pulses per litre, u {u_per_l!r}")
    except (ValueError, ArithmeticError, IndexError) as error:
        raise Expected(f"expected the table that a proving wrote; {str(error).rstrip('.')}") from error
    return curve


@dataclass(frozen=True)
class MeterLine:
    """k_factor_per_l: pulses per litre in the fresh fluid. u_rel: its relative standard uncertainty, with dof.

    curve: K-factor over flow and viscosity, where provings showed that one value does not do. age_days: since it was proved.
    """

    k_factor_per_l: Annotated[
        float,
        Field(ge=5.0, le=100_000.0, description="write pulses per litre, not per mL, such as 402.5"),
    ]
    u_rel: Annotated[
        float,
        Field(ge=0.0, le=0.05, description="write its standard uncertainty as a share, such as 0.0015"),
    ]
    dof: Degrees = math.inf
    curve: Annotated[MeterCurve, PlainValidator(_curve)] | None = None
    age_days: AgeDays = 0.0

    @property
    def u_now_rel(self) -> float:
        """Of the K-factor as it is now: what it was proved to, and what it may have moved by since."""
        return math.hypot(self.u_rel, u_since_rel(METER_REL_PER_YEAR, self.age_days))

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
        if self.age_days:
            table["age_days"] = self.age_days
        if self.curve is not None:
            table["curve"] = {k: _lists(v) for k, v in asdict(self.curve).items()}
        return table


def _lists(value: Any) -> Any:
    return [_lists(x) for x in value] if isinstance(value, tuple) else value
