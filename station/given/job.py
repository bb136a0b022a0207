"""What is known about a job before it is measured, and its JOB.toml."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any, Literal, NamedTuple

import tomli_w
from pydantic import AfterValidator, BeforeValidator, Field, PlainValidator, ValidationInfo

from calibration.fluid import Fluid
from station.common.files import read_toml
from station.common.schema import Celsius, Expected, Litres, SignedLitres, Table, complain, read
from station.common.units import parse_volume_l
from station.common.words import N_, _
from station.given.evidence import UNKNOWN_METER, ContainerWeighing, MeterRecord
from station.given.job_facts import lifted
from station.given.lines import MeterLine, PanLine
from station.given.pumping import PumpLine

RETAINED_BY_METHOD = {
    "cover removed": (0.01, 0.005),
    "drain plug": (0.04, 0.02),
    "suction": (0.08, 0.03),
}
"""Share of the listed capacity that stays behind, and its standard uncertainty, until the shop knows better.

Common practice, no source: a removed cover leaves a film and the axle tubes' puddles, a drain plug leaves the
sump below it, a suction tube leaves what it cannot reach. A job may state its own figure.
"""


@dataclass(frozen=True)
class Air:
    """The air that the pan is weighed in; it decides on buoyancy."""

    pressure_hpa: Annotated[
        float, Field(ge=600.0, le=1100.0, description="write the air pressure in hPa, such as 1013")
    ] = 1013.25
    relative_humidity: Annotated[
        float, Field(ge=0.0, le=1.0, description="write the humidity as a share, 0.45 for 45 %")
    ] = 0.5


@dataclass(frozen=True)
class HoseHeld:
    """What the hose holds of another fluid as a job begins, in litres. fluid: its name; both texts empty where unknown."""

    volume_l: Annotated[float, Field(ge=0.0, description="write what the hose holds in litres, such as 0.35")]
    fluid: str = ""
    grade: str = ""


@dataclass(frozen=True)
class JobSpec:
    """One service of one compartment, as planned. Volumes are litres at the reference temperature."""

    capacity_text: str
    capacity_l: float
    method: str
    drained: Fluid
    fresh: Fluid
    pan: PanLine
    meter: MeterLine
    air: Air = field(default_factory=Air)
    reference_temperature_c: float = 20.0
    tolerance_minus_l: float = 0.10
    tolerance_plus_l: float = 0.10
    retained_l: float = 0.0
    u_retained_l: float = 0.0
    labels: Mapping[str, str] = field(default_factory=dict)
    """What a person calls it: vehicle, compartment, technician, grade. Free text; no figure is taken from it."""
    answers: Mapping[str, str] = field(default_factory=dict)
    """Step on the pan → what the technician said it was, fluid or object."""
    certificates: Mapping[str, str] = field(default_factory=dict)
    """pan, meter → number and check sum of the certificate that the line came from."""
    pump: PumpLine | None = None
    """None where nothing is known of what the pump can do."""
    hose: HoseHeld | None = None
    """None where it holds nothing but the fluid that goes in."""
    distance_km: float | None = None
    """What the vehicle has run; None where nobody read it."""
    grade_reason: str = ""
    """Why another grade than the listed one goes in; empty where none does."""
    calibration_due: str = ""
    """Which certificate had run out when the job was planned; empty where none had."""
    learned_from: int = 0
    """Of the shop's own fills that retained_l rests on; 0 where it follows from the listing and the method alone."""
    meter_record: MeterRecord = UNKNOWN_METER
    container: ContainerWeighing | None = None
    """Two weighings of the container, where somebody made them."""
    pan_b: PanLine | None = None
    """The second pan, where the bay has one: what comes out or runs over may fall into either."""

    @property
    def cures(self) -> bool:
        """Whether a cover goes back on sealant, which has to cure before the fill; a plug needs none."""
        return self.method == "cover removed"

    @property
    def expected_fill_l(self) -> float:
        return self.capacity_l - self.retained_l

    def to_table(self) -> dict[str, Any]:
        """The JOB.toml tables; reading them back gives an equal spec."""
        job: dict[str, Any] = {
            "capacity": self.capacity_text,
            "method": self.method,
            "reference_temperature": f"{self.reference_temperature_c!r} degC",
            "tolerance_minus": f"{self.tolerance_minus_l!r} L",
            "tolerance_plus": f"{self.tolerance_plus_l!r} L",
            "retained": f"{self.retained_l!r} L",
            "u_retained": f"{self.u_retained_l!r} L",
        }
        if self.learned_from:
            job["learned_from"] = self.learned_from
        for name, texts in (("labels", self.labels), ("certificates", self.certificates)):
            if texts:
                job[name] = dict(texts)
        if self.hose is not None:
            job["hose"] = vars(self.hose).copy()
        if self.distance_km is not None:
            job["distance_km"] = self.distance_km
        for name, text in (("grade_reason", self.grade_reason), ("calibration_due", self.calibration_due)):
            if text:
                job[name] = text
        return {
            "job": job,
            "fluid": {"drained": self.drained.to_table(), "fresh": self.fresh.to_table()},
            "pan": self.pan.to_table(),
            "meter": self.meter.to_table(),
            "air": vars(self.air).copy(),
            **({} if self.pump is None else {"pump": self.pump.to_table()}),
            **({} if self.meter_record == UNKNOWN_METER else {"meter_record": self.meter_record.to_table()}),
            **({} if self.container is None else {"container": self.container.to_table()}),
            **({} if self.pan_b is None else {"pan_b": self.pan_b.to_table()}),
            **answers_table(self.answers),
        }

    def to_toml(self) -> str:
        return tomli_w.dumps(self.to_table())


def answers_table(answers: Mapping[str, str]) -> dict[str, Any]:
    """The [[answers]] of JOB.toml; nothing where nobody was asked."""
    rows = [{"step": step, "says": says} for step, says in answers.items()]
    return {"answers": rows} if rows else {}


def expected_retained(method: str, capacity_l: float) -> tuple[float, float]:
    """Retained volume and its standard uncertainty in litres for an emptying method."""
    share, u_share = RETAINED_BY_METHOD[method]
    return share * capacity_l, u_share * capacity_l


TOLERANCE_L, WIDEST_REL = 0.10, 0.10
"""Where nobody typed another; and of the listed capacity: twice what a level that is a finger's breadth low comes to (common
practice, no source)."""


def widest_tolerance_l(capacity_l: float) -> float:
    """A wider one would call a short fill full, of the smallest compartment as of any other."""
    return WIDEST_REL * capacity_l


class Capacity(NamedTuple):
    """A listed capacity as it was typed, and what that is in litres."""

    text: str
    litres: float


def _capacity(text: Any, info: ValidationInfo) -> Capacity:
    litres = parse_volume_l(text, info.context["country"] if info.context else None)
    if not litres > 0:
        raise Expected(_("expected a volume above zero, such as 2.9 L"))
    return Capacity(text, litres)


def _method(text: str) -> str:
    if text not in RETAINED_BY_METHOD:
        raise Expected(_("expected one of: {words}").format(words=", ".join(RETAINED_BY_METHOD)))
    return text


def _fluid(table: Any) -> Fluid:
    if not isinstance(table, Mapping):
        raise Expected("expected a table with keys below it")
    return Fluid.from_table(table)


CapacityText = Annotated[
    Capacity, PlainValidator(_capacity), Field(description=N_('write number and unit, such as "2.9 L"'))
]
Method = Annotated[
    str, AfterValidator(_method), Field(description=f"write one of: {', '.join(RETAINED_BY_METHOD)}")
]
FluidTable = Annotated[Fluid, PlainValidator(_fluid)]


class JobTable(Table):
    """[job]: what is planned, whatever it is going to be measured with."""

    capacity: CapacityText
    method: Method
    reference_temperature: Celsius = 20.0
    tolerance_minus: Litres | None = None
    tolerance_plus: Litres | None = None
    retained: SignedLitres | None = None
    u_retained: Litres | None = None
    learned_from: Annotated[
        int,
        Field(ge=0, le=1_000_000, description="write how many of the shop's own fills it was learned from"),
    ] = 0
    labels: Mapping[str, str] = Field(default_factory=dict)
    certificates: Mapping[str, str] = Field(default_factory=dict)
    hose: HoseHeld | None = None
    distance_km: (
        Annotated[float, Field(ge=0.0, description="write what the vehicle has run in km, such as 122300")]
        | None
    ) = None
    grade_reason: str = ""
    calibration_due: str = ""


class Answer(Table):
    """What the technician said of one step on the pan."""

    step: str
    says: Literal["fluid", "object"]


class Fluids(Table):
    """What comes out and what goes in."""

    drained: FluidTable
    fresh: FluidTable


class JobFile(Table):
    """JOB.toml."""

    job: Annotated[JobTable, BeforeValidator(lifted)]
    fluid: Fluids
    pan: PanLine
    meter: MeterLine
    air: Air = Air()
    pump: PumpLine | None = None
    meter_record: MeterRecord = UNKNOWN_METER
    container: ContainerWeighing | None = None
    pan_b: PanLine | None = None
    answers: tuple[Answer, ...] = ()

    def spec(self, source: str) -> JobSpec:
        """The job. Raises InputError where its tables contradict each other."""
        return job_spec(
            self.job,
            source,
            drained=self.fluid.drained,
            fresh=self.fluid.fresh,
            pan=self.pan,
            meter=self.meter,
            air=self.air,
            pump=self.pump,
            meter_record=self.meter_record,
            container=self.container,
            pan_b=self.pan_b,
            answers={answer.step: answer.says for answer in self.answers},
        )


def job_spec(
    job: JobTable,
    source: str,
    *,
    drained: Fluid,
    fresh: Fluid,
    pan: PanLine,
    meter: MeterLine,
    air: Air,
    pump: PumpLine | None,
    meter_record: MeterRecord = UNKNOWN_METER,
    container: ContainerWeighing | None = None,
    pan_b: PanLine | None = None,
    answers: Mapping[str, str] = MappingProxyType({}),
) -> JobSpec:
    """A job from its plan, its fluids and what it is measured with. source: the file's name, for messages.

    Raises InputError where more is retained than the compartment takes, or a fluid's density is not known at the
    reference temperature.
    """
    capacity_l = job.capacity.litres
    usual_l = min(TOLERANCE_L, widest_tolerance_l(capacity_l))
    retained_l, u_retained_l = expected_retained(job.method, capacity_l)
    if job.retained is not None:
        # without a doubt of its own a typed figure is no surer than the method's
        retained_l = job.retained
        u_retained_l = u_retained_l if job.u_retained is None else job.u_retained
    if not retained_l < capacity_l:
        complain(source, ("job", "retained"), f"{retained_l:g} L", _("expected less than the capacity"))
    for fluid in (drained, fresh):
        try:
            fluid.density_kg_m3(job.reference_temperature)
        except ValueError as error:
            place = ("job", "reference_temperature")
            complain(source, place, f"{job.reference_temperature:g} °C", f"{str(error).rstrip('.')}")
    return JobSpec(
        capacity_text=job.capacity.text,
        capacity_l=capacity_l,
        method=job.method,
        drained=drained,
        fresh=fresh,
        pan=pan,
        meter=meter,
        air=air,
        reference_temperature_c=job.reference_temperature,
        tolerance_minus_l=usual_l if job.tolerance_minus is None else job.tolerance_minus,
        tolerance_plus_l=usual_l if job.tolerance_plus is None else job.tolerance_plus,
        retained_l=retained_l,
        u_retained_l=u_retained_l,
        labels=job.labels,
        answers=answers,
        certificates=job.certificates,
        pump=pump,
        hose=job.hose,
        distance_km=job.distance_km,
        grade_reason=job.grade_reason,
        calibration_due=job.calibration_due,
        learned_from=job.learned_from,
        meter_record=meter_record,
        container=container,
        pan_b=pan_b,
    )


def spec_from_tables(tables: Mapping[str, Any], source: str, country: str | None = None) -> JobSpec:
    """Build a job from JOB.toml's tables.

    source: the file's name, for messages. country: "us" or "imperial" where a bare pint may be typed.
    Raises InputError naming file, table, key and what was expected.
    """
    return read(JobFile, tables, source, country).spec(source)


def read_job(path: Path) -> JobSpec:
    """Read JOB.toml. Raises InputError."""
    return spec_from_tables(read_toml(path), str(path))
