"""What is known about a job before it is measured, and its JOB.toml."""

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import tomli_w

from calibration.fluid import Fluid
from station.errors import InputError
from station.units import parse_temperature_c, parse_volume_l

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
class PanLine:
    """mass_kg = (count − zero_count) · kg_per_count, with what is doubtful about it.

    u_rel: standard uncertainty of the slope, relative. noise_counts: standard deviation of one reading.
    creep_rel: standard uncertainty from creep, relative to the load.
    """

    zero_count: float
    kg_per_count: float
    u_rel: float
    noise_counts: float
    creep_rel: float = 0.0002

    def indicated_kg(self, count: float) -> float:
        return (count - self.zero_count) * self.kg_per_count

    @property
    def noise_kg(self) -> float:
        return self.noise_counts * abs(self.kg_per_count)


@dataclass(frozen=True)
class MeterLine:
    """k_factor_per_l: pulses per litre in the fresh fluid. u_rel: its relative standard uncertainty."""

    k_factor_per_l: float
    u_rel: float


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
        if self.labels:
            job["labels"] = dict(self.labels)
        return {
            "job": job,
            "fluid": {"drained": self.drained.to_table(), "fresh": self.fresh.to_table()},
            "pan": vars(self.pan).copy(),
            "meter": vars(self.meter).copy(),
            "air": vars(self.air).copy(),
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
        section = _Section(source, "answers", row)
        found[section.text("step")] = section.text("says")
        if section.text("says") not in ("fluid", "object"):
            raise InputError(f"{section.where} says = {section.text('says')!r}; expected fluid or object.")
        section.finish()
    return found


class _Section:
    """One table of a file, read key by key; each complaint names the file, the table and the key."""

    def __init__(self, source: str, name: str, table: object) -> None:
        if not isinstance(table, Mapping):
            raise InputError(f"{source}: [{name}] is missing. Add the table; see README.md for an example.")
        self.where, self.table = f"{source}: [{name}]", table
        self.seen: set[str] = set()

    def number(self, key: str, default: float | None = None, *, above: float | None = None) -> float:
        self.seen.add(key)
        value = self.table.get(key, default)
        if value is None:
            raise InputError(f"{self.where} {key} is missing; expected a number.")
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            raise InputError(f"{self.where} {key} = {value!r}; expected a finite number.")
        if above is not None and not value > above:
            raise InputError(f"{self.where} {key} = {value!r}; expected a number above {above:g}.")
        return float(value)

    def text(self, key: str, default: str | None = None) -> str:
        self.seen.add(key)
        value = self.table.get(key, default)
        if not isinstance(value, str):
            found = "is missing" if value is None else f"= {value!r}"
            raise InputError(f"{self.where} {key} {found}; expected text in quotes.")
        return value

    def volume_l(self, key: str, default: str | None = None, country: str | None = None) -> float:
        text = self.text(key, default)
        try:
            return parse_volume_l(text, country)
        except ValueError as error:
            raise InputError(f"{self.where} {key}: {error}") from error

    def finish(self) -> None:
        unknown = sorted(set(self.table) - self.seen)
        if unknown:
            raise InputError(
                f"{self.where} has unknown key {unknown[0]!r}; known keys: {', '.join(sorted(self.seen))}."
            )


def expected_retained(method: str, capacity_l: float) -> tuple[float, float]:
    """Retained volume and its standard uncertainty in litres for an emptying method."""
    share, u_share = RETAINED_BY_METHOD[method]
    return share * capacity_l, u_share * capacity_l


def spec_from_tables(tables: Mapping[str, Any], source: str, country: str | None = None) -> JobSpec:
    """Build a job from JOB.toml's tables.

    source: the file's name, for messages. country: "us" or "imperial" where a bare pint may be typed.
    Raises InputError naming file, table, key and what was expected.
    """
    job = _Section(source, "job", tables.get("job"))
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
        retained_l = job.volume_l("retained")
        u_retained_l = job.volume_l("u_retained", "0 L")
    if not retained_l < capacity_l:
        raise InputError(f"{job.where} retained is {retained_l:g} L; expected less than the capacity.")
    labels = job.table.get("labels", {})
    job.seen |= {"labels", "retained", "u_retained"}
    if not isinstance(labels, Mapping) or not all(isinstance(value, str) for value in labels.values()):
        raise InputError(f"{job.where} labels; expected a table of texts.")

    fluids = tables.get("fluid")
    loaded = {}
    for role in ("drained", "fresh"):
        section = _Section(source, f"fluid.{role}", fluids.get(role) if isinstance(fluids, Mapping) else None)
        try:
            loaded[role] = Fluid.from_table(section.table)
            loaded[role].density_kg_m3(reference_c)
        except ValueError as error:
            raise InputError(f"{section.where} {error}") from error

    pan = _Section(source, "pan", tables.get("pan"))
    meter = _Section(source, "meter", tables.get("meter"))
    air = _Section(source, "air", tables.get("air", {}))
    slope = pan.number("kg_per_count")
    if slope == 0:
        raise InputError(f"{pan.where} kg_per_count = 0; expected the slope of the load-cell line.")
    spec = JobSpec(
        capacity_text=job.text("capacity"),
        capacity_l=capacity_l,
        method=method,
        drained=loaded["drained"],
        fresh=loaded["fresh"],
        pan=PanLine(
            pan.number("zero_count"),
            slope,
            pan.number("u_rel", above=-1e-300),
            pan.number("noise_counts", above=-1e-300),
            pan.number("creep_rel", 0.0002, above=-1e-300),
        ),
        meter=MeterLine(meter.number("k_factor_per_l", above=0.0), meter.number("u_rel", above=-1e-300)),
        air=Air(air.number("pressure_hpa", 1013.25, above=0.0), air.number("relative_humidity", 0.5)),
        reference_temperature_c=reference_c,
        tolerance_minus_l=job.volume_l("tolerance_minus", "0.10 L"),
        tolerance_plus_l=job.volume_l("tolerance_plus", "0.10 L"),
        retained_l=retained_l,
        u_retained_l=u_retained_l,
        labels=dict(labels),
        answers=_answers(tables.get("answers", []), source),
    )
    if not 600 <= spec.air.pressure_hpa <= 1100 or not 0 <= spec.air.relative_humidity <= 1:
        raise InputError(
            f"{air.where} pressure_hpa = {spec.air.pressure_hpa:g}, relative_humidity = "
            f"{spec.air.relative_humidity:g}; expected 600 to 1100 hPa and 0 to 1."
        )
    for section in (job, pan, meter, air):
        section.finish()
    return spec


def read_toml(path: Path) -> dict[str, Any]:
    """Read a TOML file. Raises InputError naming the file and the line."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise InputError(f"{path}: no such file. Check the path.") from None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot be read ({error}). Expected a UTF-8 text file.") from error
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{path}: not valid TOML: {error}.") from error


def read_job(path: Path) -> JobSpec:
    """Read JOB.toml. Raises InputError."""
    return spec_from_tables(read_toml(path), str(path))
