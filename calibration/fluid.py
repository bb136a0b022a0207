"""A fluid as the station knows it: density and, where there is data, viscosity over temperature.

`Fluid.from_table` reads the `[fluid.*]` tables of JOB.toml and of the reference data; `to_table` writes
the same keys back. Four kinds:

- lubricant: API MPMS 11.1 from `density_15_kg_m3` (calibration.density)
- water: Tanaka 2001 (calibration.water)
- linear: `density_kg_m3` at `at_c`, volume growing by `expansion_per_c` per kelvin
- tabulated: `temperatures_c` and `densities_kg_m3`, straight lines between; never beyond its ends

API MPMS 11.1 must not be used for coolant or brake fluid: they are no hydrocarbons, and are entered as
linear or tabulated.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from itertools import pairwise
from math import exp, isfinite, log
from typing import Any, Final

from calibration import density, water
from calibration.ranges import check_scalar
from calibration.viscosity import kinematic_viscosity
from station.common.words import _

KINDS: Final = ("lubricant", "water", "linear", "tabulated")
ORIGINS: Final = ("measured", "data sheet", "grade", "unknown")
"""Where a density comes from, the best known first."""

ORIGIN_U_REL: Final = {"measured": 0.0005, "data sheet": 0.002, "grade": 0.005, "unknown": 0.0055}
"""Relative standard uncertainty of a density by its origin, where none is stated. A data sheet gives typical values; a
grade alone leaves about 1 % either way, rectangular. Used oil differed from the same oil new by 0.1 to 0.9 % in the open
records AD00695 to AD02232 of the oil library in adios-db 1.2.7 (CC0), and nobody knows what was filled before."""
UNKNOWN_LEAST_REL: Final = 0.005
"""Of a density whose origin is unknown, whatever u somebody typed beside it."""
# Assumption: tap water against the air-free pure water of Tanaka 2001. Dissolved air is worth 3 parts
# per million, ordinary dissolved salts up to about 0.3 kg/m³.
WATER_U_DENSITY_REL: Final = 0.0003
# A linear density is a local statement; without limits of its own it is held to the range of API MPMS 11.1.
LINEAR_RANGE_C: Final = (-50.0, 150.0)

_REQUIRED: Final = {
    "lubricant": ("density_15_kg_m3",),
    "water": (),
    "linear": ("density_kg_m3", "at_c", "expansion_per_c"),
    "tabulated": ("temperatures_c", "densities_kg_m3"),
}
_OPTIONAL: Final = {
    "lubricant": ("kv40_mm2_s", "kv100_mm2_s"),
    "water": (),
    "linear": ("kv40_mm2_s", "kv100_mm2_s", "valid_c"),
    "tabulated": ("kv40_mm2_s", "kv100_mm2_s", "viscosities_mm2_s"),
}
_COMMON: Final = ("kind", "name", "grade", "u_density_kg_m3", "density_origin")
_NUMBERS: Final = (
    "density_15_kg_m3", "density_kg_m3", "at_c", "expansion_per_c", "kv40_mm2_s", "kv100_mm2_s",
    "u_density_kg_m3",
)  # fmt: skip
_LISTS: Final = ("temperatures_c", "densities_kg_m3", "viscosities_mm2_s", "valid_c")


@dataclass(frozen=True)
class Fluid:
    """A fluid with its parameters; those that its kind does not use stay None.

    Raises ValueError naming the key, what was expected and what to do, if a parameter is missing, does
    not belong to the kind, or lies outside what the kind's source covers.
    """

    kind: str
    name: str | None = None
    grade: str | None = None
    density_15_kg_m3: float | None = None
    density_kg_m3_at: float | None = field(default=None, metadata={"key": "density_kg_m3"})
    at_c: float | None = None
    expansion_per_c: float | None = None
    valid_c: tuple[float, ...] | None = None
    temperatures_c: tuple[float, ...] | None = None
    densities_kg_m3: tuple[float, ...] | None = None
    viscosities_mm2_s: tuple[float, ...] | None = None
    kv40_mm2_s: float | None = None
    kv100_mm2_s: float | None = None
    u_density_kg_m3: float | None = None
    density_origin: str | None = None
    _oil: density.Lubricant | None = field(default=None, init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        _check(self)
        if self.density_15_kg_m3 is not None:
            object.__setattr__(self, "_oil", density.Lubricant.at_base(float(self.density_15_kg_m3)))

    @classmethod
    def from_table(cls, table: Mapping[str, Any]) -> Fluid:
        """The fluid of a `[fluid.*]` table. Raises ValueError naming the key that is wrong."""
        if "kind" not in table:
            raise ValueError(
                _("fluid key 'kind' is missing, expected one of {kinds}. Add it.").format(
                    kinds=", ".join(KINDS)
                )
            )
        names = {f.metadata.get("key", f.name): f.name for f in fields(cls) if f.init}
        for key in table:
            if key not in names:
                raise ValueError(
                    _(
                        "fluid key {key!r} is not known, expected some of {keys}. Correct its spelling."
                    ).format(key=key, keys=", ".join(names))
                )
        return cls(**{names[key]: _value(key, value) for key, value in table.items()})

    def to_table(self) -> dict[str, Any]:
        """The table that from_table turns back into an equal fluid; absent parameters are left out."""
        table: dict[str, Any] = {}
        for f in fields(self):
            value = getattr(self, f.name)
            if f.init and value is not None:
                table[f.metadata.get("key", f.name)] = list(value) if isinstance(value, tuple) else value
        return table

    def density_kg_m3(self, temperature_c: float) -> float:
        """Density in kg/m³ at a temperature in °C. Raises ValueError outside the source's range."""
        if self._oil is not None:
            return self._oil.density_kg_m3(temperature_c)  # type: ignore[return-value]
        if self.kind == "water":
            return water.water_density(temperature_c)  # type: ignore[return-value]
        if self.temperatures_c is not None and self.densities_kg_m3 is not None:
            return self._interpolate(temperature_c, self.densities_kg_m3)
        check_scalar(_("temperature of {fluid}").format(fluid=self.label), temperature_c, *self.range_c, "°C")
        growth = 1.0 + self.expansion_per_c * (temperature_c - self.at_c)  # type: ignore[operator]
        return self.density_kg_m3_at / growth  # type: ignore[operator]

    def density_reference_kg_m3(self, reference_temperature_c: float) -> float:
        """Density in kg/m³ at the reference temperature to which volumes are brought."""
        return self.density_kg_m3(reference_temperature_c)

    def viscosity_mm2_s(self, temperature_c: float) -> float | None:
        """Kinematic viscosity in mm²/s at a temperature in °C, None where the fluid has no such data."""
        if self.viscosities_mm2_s is not None:
            return exp(self._interpolate(temperature_c, tuple(log(v) for v in self.viscosities_mm2_s)))
        if self.kind == "water":
            return water.water_viscosity(temperature_c)  # type: ignore[return-value]
        if self.kv40_mm2_s is None or self.kv100_mm2_s is None:
            return None
        return kinematic_viscosity(self.kv40_mm2_s, self.kv100_mm2_s, temperature_c)  # type: ignore[return-value]

    @property
    def range_c(self) -> tuple[float, float]:
        """Lowest and highest temperature in °C at which the density is known."""
        if self._oil is not None:
            return density.TEMPERATURE_RANGE_C
        if self.temperatures_c is not None:
            return self.temperatures_c[0], self.temperatures_c[-1]
        if self.kind == "water":
            return water.TEMPERATURE_RANGE_C
        return (self.valid_c[0], self.valid_c[1]) if self.valid_c is not None else LINEAR_RANGE_C

    def expansion_at_per_c(self, temperature_c: float) -> float:
        """Volume expansion in 1/K at a temperature in °C: -(1/density) d(density)/dt, over 1 °C."""
        lowest, highest = self.range_c
        low, high = max(temperature_c - 0.5, lowest), min(temperature_c + 0.5, highest)
        check_scalar(
            _("temperature of {fluid}").format(fluid=self.label), temperature_c, lowest, highest, "°C"
        )
        return log(self.density_kg_m3(low) / self.density_kg_m3(high)) / (high - low)

    @property
    def u_density_rel(self) -> float:
        """Relative standard uncertainty of the density: as stated, else by its origin. An origin that nobody gave is
        unknown."""
        if self.u_density_kg_m3 is not None:
            stated = self.u_density_kg_m3 / self._nominal_density()
            return max(stated, UNKNOWN_LEAST_REL) if self.density_origin == "unknown" else stated
        if self.kind == "water":
            return WATER_U_DENSITY_REL
        return ORIGIN_U_REL[self.density_origin or "unknown"]

    @property
    def label(self) -> str:
        """What to call the fluid in a message: its name, else its grade, else its kind."""
        return self.name or self.grade or self.kind

    def _nominal_density(self) -> float:
        for value in (self.density_15_kg_m3, self.density_kg_m3_at):
            if value is not None:
                return value
        return self.densities_kg_m3[0] if self.densities_kg_m3 else 1000.0

    def _interpolate(self, temperature_c: float, values: tuple[float, ...]) -> float:
        t = self.temperatures_c or ()
        check_scalar(_("temperature of {fluid}").format(fluid=self.label), temperature_c, t[0], t[-1], "°C")
        i = min(bisect_right(t, temperature_c), len(t) - 1)
        part = (temperature_c - t[i - 1]) / (t[i] - t[i - 1])
        return values[i - 1] + part * (values[i] - values[i - 1])


def _value(key: str, value: Any) -> Any:
    if key in _NUMBERS:
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise ValueError(
                _("fluid key {key!r} is {value!r}, expected a number. Write it without a unit.").format(
                    key=key, value=value
                )
            )
        return value
    if key in _LISTS:
        if not isinstance(value, (list, tuple)) or any(
            isinstance(x, bool) or not isinstance(x, (int, float)) for x in value
        ):
            raise ValueError(
                _("fluid key {key!r} is {value!r}, expected a list of numbers.").format(key=key, value=value)
            )
        return tuple(value)
    if not isinstance(value, str):
        raise ValueError(
            _("fluid key {key!r} is {value!r}, expected text in quotes.").format(key=key, value=value)
        )
    return value


def _key(key: str) -> str:
    return _("fluid key {key!r}").format(key=key)


def _check(fluid: Fluid) -> None:
    if fluid.kind not in KINDS:
        raise ValueError(
            _("fluid key 'kind' is {kind!r}, expected one of {kinds}.").format(
                kind=fluid.kind, kinds=", ".join(KINDS)
            )
        )
    if fluid.density_origin is not None and fluid.density_origin not in ORIGINS:
        raise ValueError(
            _("fluid key 'density_origin' is {origin!r}, expected one of {origins}.").format(
                origin=fluid.density_origin, origins=", ".join(ORIGINS)
            )
        )
    table = fluid.to_table()
    _check_keys(fluid.kind, table)
    if "kv40_mm2_s" in table:
        kinematic_viscosity(table["kv40_mm2_s"], table["kv100_mm2_s"], 40.0)
    if "u_density_kg_m3" in table:
        check_scalar(_key("u_density_kg_m3"), table["u_density_kg_m3"], 1e-6, 100.0, "kg/m³")
    if fluid.kind == "linear":
        _check_linear(table)
    if fluid.kind == "tabulated":
        _check_table(table)


def _check_keys(kind: str, table: Mapping[str, Any]) -> None:
    """Which keys a kind of fluid has and needs, and that all numbers are finite."""
    allowed = (*_COMMON, *_REQUIRED[kind], *_OPTIONAL[kind])
    for key in table:
        if key not in allowed:
            raise ValueError(
                _(
                    "fluid key {key!r} does not belong to a fluid of kind '{kind}', expected some of {keys}. "
                    "Remove it, or correct 'kind'."
                ).format(key=key, kind=kind, keys=", ".join(allowed))
            )
    for key in _REQUIRED[kind]:
        if key not in table:
            raise ValueError(
                _("fluid key {key!r} is missing; a fluid of kind '{kind}' needs it. Add it.").format(
                    key=key, kind=kind
                )
            )
    for key in (*_NUMBERS, *_LISTS):
        for x in [table[key]] if key in _NUMBERS and key in table else table.get(key, []):
            if not isfinite(x):
                raise ValueError(
                    _("fluid key {key!r} is {value!r}, expected a finite number.").format(key=key, value=x)
                )
    if ("kv40_mm2_s" in table) != ("kv100_mm2_s" in table):
        raise ValueError(
            _("fluid keys 'kv40_mm2_s' and 'kv100_mm2_s' belong together. Give both or neither.")
        )


def _check_linear(table: Mapping[str, Any]) -> None:
    check_scalar(_key("density_kg_m3"), table["density_kg_m3"], 500.0, 2500.0, "kg/m³")
    check_scalar(_key("expansion_per_c"), table["expansion_per_c"], 0.0, 0.003, "1/°C")
    check_scalar(_key("at_c"), table["at_c"], *LINEAR_RANGE_C, "°C")
    if "valid_c" in table and not (len(table["valid_c"]) == 2 and table["valid_c"][0] < table["valid_c"][1]):
        raise ValueError(
            _("fluid key 'valid_c' is {value!r}, expected [lowest, highest] in °C.").format(
                value=table["valid_c"]
            )
        )


def _check_table(table: Mapping[str, Any]) -> None:
    t = table["temperatures_c"]
    if len(t) < 2 or any(b <= a for a, b in pairwise(t)):
        raise ValueError(
            _("fluid key 'temperatures_c' is {value!r}, expected two or more values that rise.").format(
                value=t
            )
        )
    for key, low, high in (("densities_kg_m3", 500.0, 2500.0), ("viscosities_mm2_s", 0.2, 2.0e7)):
        values = table.get(key)
        if values is None:
            continue
        if len(values) != len(t):
            raise ValueError(
                _("fluid key {key!r} has {n} values, expected {expected} as in 'temperatures_c'.").format(
                    key=key, n=len(values), expected=len(t)
                )
            )
        for value in values:
            check_scalar(_key(key), value, low, high, "kg/m³" if "densities" in key else "mm²/s")
