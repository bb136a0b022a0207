"""A fluid's density from what a shop has: a vessel of known volume, water, and the bay's pan.

The vessel is weighed empty, with water where nobody knows its volume, and with the fluid. Between jobs alone, since the pan
is needed; what comes out is entered as the fluid's density, with its doubt and the origin "measured".
"""

import math
from collections.abc import Callable
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any

from calibration.budget import NORMAL_95, Budget, expanded
from calibration.buoyancy import air_density
from calibration.density import density_15_from_observed
from calibration.density_measured import MATERIALS, measure, volume_by_water
from calibration.fluid import Fluid
from station.calibrating.at_rest import AtRest
from station.common.digits import number, off_by
from station.common.words import _
from station.errors import InputError
from station.given.job import Air
from station.given.lines import PanLine

U_TEMPERATURE_C = 0.5
"""Standard uncertainty of a thermometer held into the vessel (common practice, no source)."""
FAR_REL = 0.10
"""Another fluid, or a slip: used oil differs from new by 0.1 to 0.9 % (see calibration.fluid.ORIGIN_U_REL)."""
LEAST_KG, APART_C = 0.05, 15.0
"""Less fluid than this, or water so far from the fluid's temperature, is no measurement."""


class Vessel(StrEnum):
    """What stands on the pan."""

    EMPTY = "empty"
    WATER = "water"
    FULL = "full"


@dataclass(frozen=True)
class DensityPlan:
    """fluid: its key in the catalogue. volume_l: of the vessel up to its mark, None where water is to tell it. within_l: how
    far off it may be filled and marked, either way. material: a key of ``MATERIALS``."""

    fluid: str
    volume_l: float | None
    within_l: float
    material: str

    def to_dict(self) -> dict[str, Any]:
        return asdict(self)


@dataclass(frozen=True)
class VesselReading:
    """One weighing: kg as the pan indicates it, with its standard uncertainty, and the temperature of what is in it."""

    vessel: Vessel
    kg: float
    u_kg: float
    temperature_c: float | None
    t_s: float


@dataclass(frozen=True)
class DensityView:
    """What a page may know of it. fluid: as it is entered. missing: weighings that are still to come, in their order.
    refusal: why the result is not to be entered; "" where it may be."""

    plan: DensityPlan
    fluid: Fluid
    readings: tuple[VesselReading, ...]
    missing: tuple[Vessel, ...]
    volume_l: float | None
    result: Budget | None
    refusal: str

    def to_dict(self) -> dict[str, Any]:
        return {
            **self.plan.to_dict(),
            "readings": [asdict(reading) for reading in self.readings],
            "missing": list(self.missing),
            "vessel_l": self.volume_l,
            "budget": None if self.result is None else self.result.to_dict(),
        }


class DensityDesk:
    """One measurement. line: the pan's, in force. Used from the engine's thread alone."""

    def __init__(
        self, plan: DensityPlan, fluid: Fluid, pan: AtRest, air: Air, line: Callable[[], PanLine]
    ) -> None:
        """Raises InputError for a plan that cannot come to a density."""
        if fluid.kind not in ("lubricant", "linear"):
            raise InputError(
                _(
                    "The density of {label} follows from a table; only fluids that have one figure can be measured here."
                ).format(label=fluid.label)
            )
        if plan.volume_l is not None and not 0.01 <= plan.volume_l <= 20.0:
            raise InputError(
                _(
                    "volume is {volume_l} L; expected a vessel of 10 mL to 20 L, better one of half a litre or more."
                ).format(volume_l=number(plan.volume_l, "g"))
            )
        if plan.volume_l is not None and not 0.0 < plan.within_l < 0.05 * plan.volume_l:
            raise InputError(
                _(
                    "How well the volume is known is missing, or too coarse: expected above zero and below 5 % of the volume."
                )
            )
        if plan.material not in MATERIALS:
            raise InputError(
                _("material is {material!r}; expected one of: {materials}.").format(
                    material=plan.material, materials=", ".join(MATERIALS)
                )
            )
        self.plan, self._fluid, self._pan, self._air, self._line = plan, fluid, pan, air, line
        self._readings: dict[Vessel, VesselReading] = {}

    def weigh(self, vessel: Vessel, temperature_c: float | None) -> VesselReading:
        """Read the pan at rest. temperature_c: of what is in the vessel. Raises InputError."""
        if vessel is Vessel.WATER and self.plan.volume_l is not None:
            raise InputError(_("The vessel's volume was entered; no water is needed."))
        if vessel is not Vessel.EMPTY:
            if Vessel.EMPTY not in self._readings:
                raise InputError(_("Weigh the empty vessel first."))
            if temperature_c is None:
                raise InputError(_("The temperature is missing: hold a thermometer into the vessel, in °C."))
        line = self._line()
        level = self._pan.level(line.noise_counts)[0]
        kg = line.indicated_kg(level.kg)
        empty = self._readings.get(Vessel.EMPTY)
        if vessel is not Vessel.EMPTY and empty is not None and kg - empty.kg < LEAST_KG:
            raise InputError(
                _(
                    "The pan shows {more_g} g more than with the empty vessel; expected {least_g} g or more. Is the filled vessel on the pan?"
                ).format(
                    more_g=number(1000.0 * (kg - empty.kg), ".0f"), least_g=number(1000.0 * LEAST_KG, ".0f")
                )
            )
        u_kg = math.hypot(level.u_kg * abs(line.kg_per_count), line.u_indication_kg, line.u_linearity_kg)
        reading = VesselReading(vessel, kg, u_kg, temperature_c, self._pan.t_s)
        self._try({**self._readings, vessel: reading})
        if vessel is Vessel.EMPTY:  # another vessel, or another place of the zero: the rest is weighed anew
            self._readings = {}
        self._readings[vessel] = reading
        return reading

    def view(self) -> DensityView:
        wanted = [Vessel.EMPTY, *([Vessel.WATER] if self.plan.volume_l is None else []), Vessel.FULL]
        missing = tuple(vessel for vessel in wanted if vessel not in self._readings)
        volume_l, result = self._try(self._readings)
        try:
            self.entry()
            refusal = ""
        except InputError as error:
            refusal = str(error)
        return DensityView(
            self.plan, self._fluid, tuple(self._readings.values()), missing, volume_l, result, refusal
        )

    def _try(self, readings: dict[Vessel, VesselReading]) -> tuple[float | None, Budget | None]:
        """The vessel's volume and the density, as far as they can be told. Raises InputError where they make no sense."""
        try:
            return self._measured(readings)
        except ValueError as error:
            raise InputError(str(error)) from error

    def _measured(self, readings: dict[Vessel, VesselReading]) -> tuple[float | None, Budget | None]:
        plan, line = self.plan, self._line()
        air_c = 20.0 if self._pan.air_c is None else self._pan.air_c
        air = float(air_density(air_c, 100.0 * self._air.pressure_hpa, self._air.relative_humidity))
        empty, water, full = (readings.get(vessel) for vessel in Vessel)
        grows = MATERIALS[plan.material]
        u_mark_l = plan.within_l / math.sqrt(3.0)
        volume_l, u_volume_l, u_slope_rel = plan.volume_l, u_mark_l, line.u_now_rel
        if volume_l is None and empty is not None and water is not None and water.temperature_c is not None:
            volume_l, u_volume_l = volume_by_water(
                empty_kg=empty.kg,
                full_kg=water.kg,
                u_weighing_kg=math.hypot(empty.u_kg, water.u_kg) / math.sqrt(2.0),
                temperature_c=water.temperature_c,
                u_temperature_c=U_TEMPERATURE_C,
                u_mark_l=math.sqrt(2.0) * u_mark_l,  # the fluid is filled to the same mark once more
                air_density_kg_m3=air,
                vessel_per_c=grows,
            )
            u_slope_rel = 0.0  # one pan weighs water and fluid
        if volume_l is None or empty is None or full is None or full.temperature_c is None:
            return volume_l, None
        if water is not None and abs((water.temperature_c or 0.0) - full.temperature_c) > APART_C:
            raise ValueError(
                _(
                    "water at {temperature_c} °C and fluid at {fluid_c} °C are too far apart; let both come to the shop's temperature."
                ).format(
                    temperature_c=number(water.temperature_c or 0.0, "g"),
                    fluid_c=number(full.temperature_c, "g"),
                )
            )
        return volume_l, measure(
            volume_l=volume_l,
            u_volume_l=u_volume_l,
            empty_kg=empty.kg,
            full_kg=full.kg,
            u_weighing_kg=math.hypot(empty.u_kg, full.u_kg) / math.sqrt(2.0),
            u_slope_rel=u_slope_rel,
            temperature_c=full.temperature_c,
            u_temperature_c=U_TEMPERATURE_C,
            expansion_per_c=self._fluid.expansion_at_per_c(full.temperature_c),
            air_density_kg_m3=air,
            vessel_per_c=grows,
        )

    def entry(self) -> dict[str, str]:
        """What the catalogue is to say of the fluid from now on. Raises InputError where there is no result, it is no
        better than what is entered, or it cannot be this fluid's."""
        result = self._try(self._readings)[1]
        full = self._readings.get(Vessel.FULL)
        if result is None or full is None or full.temperature_c is None:
            raise InputError(_("There is no result yet: weigh the vessel empty, and filled with the fluid."))
        known = self._fluid.density_kg_m3(full.temperature_c)
        if abs(result.value / known - 1.0) > FAR_REL:
            raise InputError(
                _(
                    "{value} kg/m³ at {temperature_c} °C is {off} than what is entered for {label}. Check volume, unit and fluid, and weigh again."
                ).format(
                    value=number(result.value, ".0f"),
                    temperature_c=number(full.temperature_c, "g"),
                    off=off_by(result.value / known - 1.0),
                    label=self._fluid.label,
                )
            )
        u95_rel, before_rel = result.u95 / result.value, expanded(self._fluid.u_density_rel)
        agree = abs(result.value / known - 1.0) <= math.hypot(u95_rel, before_rel)
        if agree and u95_rel >= before_rel:
            raise InputError(
                _(
                    "The measurement is good to ± {u95_rel} %, what is entered to ± {before_rel} %, and the two agree: nothing would be gained. Use a larger vessel, a better known volume, or calibrate the pan first."
                ).format(u95_rel=number(100.0 * u95_rel, ".2g"), before_rel=number(100.0 * before_rel, ".2g"))
            )
        try:
            if self._fluid.kind == "lubricant":
                value = float(density_15_from_observed(result.value, full.temperature_c))
                where = {"density_15_kg_m3": f"{value:.2f}"}
            else:
                value = result.value
                where = {"density_kg_m3": f"{value:.2f}", "at_c": f"{full.temperature_c:g}"}
        except ValueError as error:
            raise InputError(str(error)) from error
        # few degrees of freedom widen what is kept as one standard uncertainty
        u = result.u95 / NORMAL_95 * value / result.value
        return {
            "fluid": self.plan.fluid,
            "name": self._fluid.name or self._fluid.label,
            "grade": self._fluid.grade or self._fluid.label,
            "density_origin": "measured",
            "u_density_kg_m3": f"{u:.3g}",
            **where,
        }

    def body(self) -> dict[str, Any]:
        """The event of a result: all that it rests on."""
        volume_l, result = self._try(self._readings)
        return {
            **self.plan.to_dict(),
            "vessel_l": volume_l,
            "readings": [asdict(reading) for reading in self._readings.values()],
            "budget": None if result is None else result.to_dict(),
            "entered": self.entry(),
        }
