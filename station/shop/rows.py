"""What an entry of each table of the catalogue may say: frozen types, with a range at each field.

A person types texts, and texts are kept. An entry is held against its type when it is entered; readers take their values
from the type. Volumes stay texts: whose pint a bare one is depends on the bay.
"""

import re
from collections.abc import Mapping
from datetime import date
from types import MappingProxyType
from typing import Annotated, Any, ClassVar, Literal, TypeVar

from pydantic import AfterValidator, BeforeValidator, Field, ValidationInfo, model_validator

from calibration.fluid import Fluid
from station.common.digits import number
from station.common.distance import parse_distance_km
from station.common.schema import Expected, Table
from station.common.units import parse_torque_nm, parse_volume_l
from station.common.words import N_, _
from station.given.job import Method

MAX_TEXT = 200
CAPACITY_L = (0.05, 200.0)
"""No road vehicle's axle, gearbox or sump lies outside (common practice, no source)."""


def _number(text: Any) -> Any:
    try:
        return float(text)
    except ValueError:
        if "," in text:
            raise Expected(_("write {text}, with a point").format(text=text.replace(",", ".", 1))) from None
        return text


def iso_day(text: str) -> str:
    """A day as it was typed, in ISO 8601; other spellings are left as they are, for the field to refuse."""
    dotted = re.fullmatch(r"(\d{1,2})\.(\d{1,2})\.(\d{4})", text)  # as German spreadsheets write it
    return text if dotted is None else f"{dotted[3]}-{dotted[2]:0>2}-{dotted[1]:0>2}"


class Litres:
    """A volume from low to high litres, with its unit; kept as its text.

    Only what is entered is held against the range: what a record has was entered under the bay's country of its day.
    """

    def __init__(self, low_l: float, high_l: float) -> None:
        self.low_l, self.high_l = low_l, high_l

    def __call__(self, text: str, info: ValidationInfo) -> str:
        if info.context is not None:
            volume_l = parse_volume_l(text, info.context["country"])
            if not self.low_l <= volume_l <= self.high_l:
                raise Expected(
                    _("expected {low_l} to {high_l} L; check number and unit").format(
                        low_l=number(self.low_l, "g"), high_l=number(self.high_l, "g")
                    )
                )
        return text


Text = Annotated[str, Field(max_length=MAX_TEXT, description=N_("write at most 200 characters"))]
Volume = Annotated[
    str, AfterValidator(Litres(0.001, 10_000.0)), Field(description=N_("write number and unit, such as 60 L"))
]
Km = Annotated[float, BeforeValidator(parse_distance_km)]
"""Typed with its unit, held in km."""
Torque = Annotated[float, BeforeValidator(parse_torque_nm)]
"""Typed with its unit, held in N·m."""
Number = BeforeValidator(_number)
Kind = Literal["lubricant", "linear", "water"]
"""Kinds of fluid that an entry's fields can describe (``calibration.fluid``)."""


SINCE = "since"
"""The field with the day from which an entry holds, as part of its key."""


class Row(Table):
    """An entry. key: the fields that name it. refers: field → the table in which what it names stands."""

    key: ClassVar[tuple[str, ...]]
    refers: ClassVar[Mapping[str, str]] = MappingProxyType({})

    @classmethod
    def names(cls) -> tuple[str, ...]:
        """Its fields; they are the columns of its file."""
        return tuple(cls.model_fields)

    @classmethod
    def needed(cls) -> tuple[str, ...]:
        """The fields that have to be given; where no day is, it is the day of entry."""
        return tuple(
            name for name, field in cls.model_fields.items() if field.is_required() and name != SINCE
        )


R = TypeVar("R", bound=Row)


class VehicleRow(Row):
    """distance: that the vehicle had run when somebody last entered it, in km."""

    key = ("vehicle",)
    vehicle: Text
    distance: Km | None = None
    note: Text = ""


class CompartmentRow(Row):
    """interval_distance, new_at: in km. new_at: what the vehicle had run when a new unit came in."""

    key = ("vehicle", "compartment")
    refers = MappingProxyType({"vehicle": "vehicle"})
    vehicle: Text
    compartment: Text
    capacity: Annotated[
        str,
        AfterValidator(Litres(*CAPACITY_L)),
        Field(description=N_("write the listed capacity with its unit, such as 2.9 L")),
    ]
    method: Method
    source: Text = ""
    grade: Text = ""
    type: Text = ""
    plug: Text = ""
    torque: Torque | None = None
    height_note: Text = ""
    interval_distance: Km | None = None
    interval_months: (
        Annotated[float, Number, Field(ge=1, le=240, description=N_("write months, such as 24"))] | None
    ) = None
    break_in: Literal["yes", "no"] = "no"
    new_at: Km | None = None


class FluidRow(Row):
    """A fluid whose parameters its kind needs; ranges of the kind's source stand in ``calibration.fluid``."""

    key = ("fluid",)
    fluid: Text
    name: Text
    grade: Text
    kind: Kind
    density_15_kg_m3: Annotated[float, Number] | None = None
    u_density_kg_m3: Annotated[float, Number] | None = None
    kv40_mm2_s: Annotated[float, Number] | None = None
    kv100_mm2_s: Annotated[float, Number] | None = None
    density_kg_m3: Annotated[float, Number] | None = None
    at_c: Annotated[float, Number] | None = None
    expansion_per_c: Annotated[float, Number] | None = None
    density_origin: Literal["measured", "data sheet", "grade", "unknown"] | None = None

    def whole(self) -> Fluid:
        """The fluid. Raises ValueError where its parameters do not make one."""
        return Fluid.from_table({n: value for n, value in self if n != "fluid" and value not in (None, "")})

    @model_validator(mode="after")
    def _is_whole(self) -> "FluidRow":
        self.whole()
        return self


class ContainerRow(Row):
    """A drum, keg or pack and the fluid in it."""

    key = ("container",)
    refers = MappingProxyType({"fluid": "fluid"})
    container: Text
    fluid: Text
    size: Volume
    kind: Text = ""


class TechnicianRow(Row):
    """Somebody who works here."""

    key = ("technician",)
    technician: Text
    note: Text = ""


class PriceRow(Row):
    """What a volume of a fluid costs from a day on, until the day of its next price. What is entered again for the same day puts
    that price right; one that is retired holds no more."""

    key = ("fluid", "since")
    refers = MappingProxyType({"fluid": "fluid"})
    fluid: Text
    since: Annotated[date, Field(description=N_("write the day, such as 2026-03-01"))]
    amount: Annotated[float, Number, Field(ge=0, le=1e6, description=N_("write the price, such as 9.50"))]
    per: Volume
    currency: Text


class ShopRow(Row):
    """What stands at the head of a printed sheet; there is one such entry."""

    key = ("shop",)
    shop: Literal["this shop"]
    name: Text
    address: Text = ""
    contact: Text = ""


TABLES: dict[str, type[Row]] = {
    "vehicle": VehicleRow,
    "compartment": CompartmentRow,
    "fluid": FluidRow,
    "container": ContainerRow,
    "technician": TechnicianRow,
    "price": PriceRow,
    "shop": ShopRow,
}
MEASURED = frozenset(
    "capacity torque interval_distance interval_months new_at distance density_15_kg_m3 u_density_kg_m3 kv40_mm2_s "
    "kv100_mm2_s density_kg_m3 at_c expansion_per_c size amount per".split()
)
"""The fields that hold figures: a spreadsheet may have written them with a decimal comma."""
