"""What is known about a job before it is measured, and its JOB.toml."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import tomli_w

from calibration.fluid import Fluid
from station.common.section import Section, read_toml
from station.common.units import parse_temperature_c
from station.errors import InputError
from station.given.lines import MeterLine, PanLine, read_meter, read_pan
from station.given.pumping import PumpLine, read_pump

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
    pressure_hpa: float = 1013.25
    relative_humidity: float = 0.5


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
    """What a person calls it: vehicle, compartment, technician, grade."""
    answers: Mapping[str, str] = field(default_factory=dict)
    """Step on the pan → what the technician said it was, fluid or object."""
    certificates: Mapping[str, str] = field(default_factory=dict)
    """pan, meter → number and check sum of the certificate that the line came from."""
    pump: PumpLine | None = None
    """None where nothing is known of what the pump can do."""

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
        for name, texts in (("labels", self.labels), ("certificates", self.certificates)):
            if texts:
                job[name] = dict(texts)
        return {
            "job": job,
            "fluid": {"drained": self.drained.to_table(), "fresh": self.fresh.to_table()},
            "pan": self.pan.to_table(),
            "meter": self.meter.to_table(),
            "air": vars(self.air).copy(),
            **({} if self.pump is None else {"pump": self.pump.to_table()}),
            **answers_table(self.answers),
        }

    def to_toml(self) -> str:
        return tomli_w.dumps(self.to_table())


def answers_table(answers: Mapping[str, str]) -> dict[str, Any]:
    """The [[answers]] of JOB.toml; nothing where nobody was asked."""
    rows = [{"step": step, "says": says} for step, says in answers.items()]
    return {"answers": rows} if rows else {}


def _answers(rows: object, source: str) -> dict[str, str]:
    """Read [[answers]]. Raises InputError."""
    if not isinstance(rows, list):
        raise InputError(f"{source}: answers is not a list of tables; write [[answers]].")
    found = {}
    for row in rows:
        section = Section(source, "answers", row)
        found[section.text("step")] = section.text("says")
        if section.text("says") not in ("fluid", "object"):
            raise InputError(f"{section.where} says = {section.text('says')!r}; expected fluid or object.")
        section.finish()
    return found


def _pump(table: object, source: str) -> PumpLine | None:
    """Read [pump], which may be left out: then nothing is known of what the pump can do. Raises InputError."""
    if table is None:
        return None
    section = Section(source, "pump", table)
    line = read_pump(section)
    section.finish()
    return line


def expected_retained(method: str, capacity_l: float) -> tuple[float, float]:
    """Retained volume and its standard uncertainty in litres for an emptying method."""
    share, u_share = RETAINED_BY_METHOD[method]
    return share * capacity_l, u_share * capacity_l


def _signed_l(job: Section, key: str) -> float:
    """A volume that may be below zero: some compartments take more than is listed."""
    text = job.text(key).strip()
    if not text.startswith("-"):
        return job.volume_l(key)
    return -Section(job.where, key, {key: text[1:]}).volume_l(key)


def spec_from_tables(tables: Mapping[str, Any], source: str, country: str | None = None) -> JobSpec:
    """Build a job from JOB.toml's tables.

    source: the file's name, for messages. country: "us" or "imperial" where a bare pint may be typed.
    Raises InputError naming file, table, key and what was expected.
    """
    job = Section(source, "job", tables.get("job"))
    capacity_l = job.volume_l("capacity", country=country)
    if not capacity_l > 0:
        raise InputError(f"{job.where} capacity = {job.text('capacity')!r}; expected a volume above zero.")
    method = job.text("method")
    if method not in RETAINED_BY_METHOD:
        raise InputError(
            f"{job.where} method = {method!r}; expected one of: {', '.join(RETAINED_BY_METHOD)}."
        )
    try:
        reference_c = parse_temperature_c(job.text("reference_temperature", "20 degC"))
    except ValueError as error:
        raise InputError(f"{job.where} reference_temperature: {error}") from error
    retained_l, u_retained_l = expected_retained(method, capacity_l)
    if "retained" in job.table:
        retained_l = _signed_l(job, "retained")
        u_retained_l = job.volume_l("u_retained", "0 L")
    if not retained_l < capacity_l:
        raise InputError(f"{job.where} retained is {retained_l:g} L; expected less than the capacity.")
    texts = {name: job.texts(name) for name in ("labels", "certificates")}
    job.seen |= {"retained", "u_retained"}

    fluids = tables.get("fluid")
    loaded = {}
    for role in ("drained", "fresh"):
        section = Section(source, f"fluid.{role}", fluids.get(role) if isinstance(fluids, Mapping) else None)
        try:
            loaded[role] = Fluid.from_table(section.table)
            loaded[role].density_kg_m3(reference_c)
        except ValueError as error:
            raise InputError(f"{section.where} {error}") from error

    pan = Section(source, "pan", tables.get("pan"))
    meter = Section(source, "meter", tables.get("meter"))
    air = Section(source, "air", tables.get("air", {}))
    spec = JobSpec(
        capacity_text=job.text("capacity"),
        capacity_l=capacity_l,
        method=method,
        drained=loaded["drained"],
        fresh=loaded["fresh"],
        pan=read_pan(pan),
        meter=read_meter(meter),
        air=Air(air.number("pressure_hpa", 1013.25, above=0.0), air.number("relative_humidity", 0.5)),
        reference_temperature_c=reference_c,
        tolerance_minus_l=job.volume_l("tolerance_minus", "0.10 L"),
        tolerance_plus_l=job.volume_l("tolerance_plus", "0.10 L"),
        retained_l=retained_l,
        u_retained_l=u_retained_l,
        **texts,
        answers=_answers(tables.get("answers", []), source),
        pump=_pump(tables.get("pump"), source),
    )
    if not 600 <= spec.air.pressure_hpa <= 1100 or not 0 <= spec.air.relative_humidity <= 1:
        raise InputError(
            f"{air.where} pressure_hpa = {spec.air.pressure_hpa:g}, relative_humidity = "
            f"{spec.air.relative_humidity:g}; expected 600 to 1100 hPa and 0 to 1."
        )
    for section in (job, pan, meter, air):
        section.finish()
    return spec


def read_job(path: Path) -> JobSpec:
    """Read JOB.toml. Raises InputError."""
    return spec_from_tables(read_toml(path), str(path))
