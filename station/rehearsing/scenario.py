"""A scenario file: a job as the station believes it, the bay as it really is, who works there, and what goes wrong."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from importlib import resources
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field

from calibration.fluid import Fluid
from hardware.simulated.plant import Plant, PlantSettings
from hardware.simulated.scale import SecondPan
from hardware.simulated.sim_fluid import SimFluid
from station.common.files import read_toml
from station.common.schema import Table, complain, read
from station.errors import InputError
from station.given.job import JobFile, JobSpec
from station.given.lines import PanLine
from station.rehearsing.mishap import Mishap

Seconds = Annotated[float, Field(ge=0.0, le=86_400.0, description="write seconds")]
Degrees = Annotated[float, Field(ge=-40.0, le=140.0, description="write °C")]
Volume = Annotated[float, Field(ge=0.0, le=1000.0, description="write litres")]
Share = Annotated[float, Field(ge=-0.5, le=0.5, description="write a share, such as 0.001")]
Length = Annotated[float, Field(gt=0.0, le=100.0, description="write metres")]


@dataclass(frozen=True)
class Technician:
    """How the simulated technician works.

    kicks_s: seconds after the drain is opened at which the pan is knocked. stop_early_l: lets go of the pendant so
    much before the target. least_drip_s: lets it drip so long before asking whether waiting still pays.
    lip_proof: proves the fill at the lip before it is done. spirit_level: lays one on the housing before the drain.
    """

    patience_s: Seconds = 1500.0
    cure_s: Seconds = 1200.0
    kicks_s: tuple[Seconds, ...] = ()
    stop_early_l: Volume = 0.0
    least_drip_s: Seconds = 60.0
    lip_proof: bool = False
    spirit_level: bool = True


class SecondPanTable(Table):
    """[plant.pan_b]: where the second pan stands, and its cell where it is otherwise than believed."""

    drain_share: Annotated[float, Field(ge=0.0, le=1.0, description="write a share, such as 0.3")] = 0.0
    overflow_share: Annotated[float, Field(ge=0.0, le=1.0, description="write a share, such as 1")] = 0.0
    pan_kg: Annotated[float, Field(ge=0.0, le=100.0, description="write kilograms")] | None = None
    zero_walk_kg: Annotated[float, Field(ge=0.0, le=1.0, description="write kilograms")] | None = None


class PlantTable(Table):
    """[plant]: what is otherwise than believed. Fields as in ``PlantSettings``; the fluids are those of the job."""

    capacity_l: Volume | None = None
    old_volume_l: Volume | None = None
    puddle_l: Volume | None = None
    walls_m: tuple[tuple[Length, Length], ...] | None = None
    outlet_m2: Annotated[float, Field(gt=0.0, le=0.1, description="write square metres")] | None = None
    suction_l_min: Annotated[float, Field(ge=0.0, le=100.0, description="write litres a minute")] | None = (
        None
    )
    compartment_c: Degrees | None = None
    supply_c: Degrees | None = None
    air_c: Degrees | None = None
    cooling_s: Annotated[float, Field(ge=1.0, le=86_400.0, description="write seconds")] | None = None
    pump_l_min: Annotated[float, Field(gt=0.0, le=200.0, description="write litres a minute")] | None = None
    pump_kv_half_mm2_s: Annotated[float, Field(gt=0.0, le=1e6, description="write mm²/s")] | None = None
    pump_lag_s: Annotated[float, Field(ge=0.0, le=60.0, description="write seconds")] | None = None
    pump_ramp_s: Annotated[float, Field(gt=0.0, le=60.0, description="write seconds")] | None = None
    k_factor_per_l: (
        Annotated[float, Field(ge=5.0, le=100_000.0, description="write pulses per litre")] | None
    ) = None
    slip_mm2_s: Annotated[float, Field(ge=0.0, le=100.0, description="write mm²/s")] | None = None
    zero_count: Annotated[float, Field(ge=-8e6, le=8e6, description="write counts")] | None = None
    kg_per_count: (
        Annotated[float, Field(ge=1e-8, le=2.5e-3, description="write kilograms per count")] | None
    ) = None
    noise_counts: Annotated[float, Field(ge=0.0, le=100_000.0, description="write counts")] | None = None
    pan_kg: Annotated[float, Field(ge=0.0, le=100.0, description="write kilograms")] | None = None
    creep_rel: Share | None = None
    creep_s: Annotated[float, Field(ge=1.0, le=86_400.0, description="write seconds")] | None = None
    zero_walk_kg: Annotated[float, Field(ge=0.0, le=1.0, description="write kilograms")] | None = None
    zero_kg_per_c: Annotated[float, Field(ge=-1.0, le=1.0, description="write kilograms per °C")] | None = (
        None
    )
    air_swing_c: Annotated[float, Field(ge=0.0, le=40.0, description="write °C")] | None = None
    pocket_l: Volume | None = None
    foam_share: Annotated[float, Field(ge=0.0, le=0.5, description="write a share, such as 0.05")] | None = (
        None
    )
    evaporation_s: Annotated[float, Field(ge=1.0, le=1e6, description="write seconds")] | None = None
    air_kg_m3: Annotated[float, Field(ge=0.5, le=2.0, description="write kg/m³, such as 1.19")] | None = None
    drum_l: Volume | None = None
    pan_b: SecondPanTable | None = None
    seed: int | None = None


class ScenarioFile(JobFile):
    """A scenario: the tables of JOB.toml, and what a rehearsal needs beside them."""

    plant: PlantTable = PlantTable()
    technician: Technician = Technician()
    mishap: tuple[Mishap, ...] = ()


@dataclass(frozen=True)
class Scenario:
    """spec: what the station believes. plant: the bay before its hidden deviations are drawn. mishaps: what else
    happens."""

    spec: JobSpec
    plant: PlantSettings
    technician: Technician
    mishaps: tuple[Mishap, ...] = ()


def scenario_from_tables(tables: Mapping[str, Any], source: str) -> Scenario:
    """Check a scenario. Raises InputError naming file, table, key and what was expected."""
    file = read(ScenarioFile, tables, source)
    spec = file.spec(source)
    for role, fluid in (("drained", spec.drained), ("fresh", spec.fresh)):
        try:
            _sim_fluid(fluid)
        except ValueError as error:
            complain(source, ("fluid", role, "kind"), fluid.kind, str(error))
    told = file.plant.model_dump(exclude_none=True)
    pan_b = told.pop("pan_b", {})
    for place, about in (("plant", pan_b), ("mishap", any(m.pan == "pan_b" for m in file.mishap))):
        if about and spec.pan_b is None:
            raise InputError(
                f"{source}: [{place}] tells of a second pan; expected its line in [pan_b] beside it."
            )
    plant = replace(believed_plant(spec), **told)
    if plant.pan_b is not None:
        plant = replace(plant, pan_b=replace(plant.pan_b, **pan_b))
    try:
        Plant(plant)
    except ValueError as error:
        raise InputError(f"{source}: [plant] {error}.") from error
    return Scenario(spec, plant, file.technician, file.mishap)


def read_scenario(path: Path | None) -> Scenario:
    """Read a scenario file; the shipped one where none is named. Raises InputError."""
    if path is None:
        path = Path(str(resources.files("station") / "demo_axle.toml"))
    return scenario_from_tables(read_toml(path), str(path))


def _sim_fluid(fluid: Fluid) -> SimFluid:
    if fluid.density_15_kg_m3 is None or fluid.kv40_mm2_s is None or fluid.kv100_mm2_s is None:
        raise ValueError(
            "only a lubricant can be simulated: write kind = 'lubricant' with density_15_kg_m3, kv40_mm2_s and "
            "kv100_mm2_s"
        )
    return SimFluid(fluid.density_15_kg_m3, fluid.kv40_mm2_s, fluid.kv100_mm2_s)


_OUTLET: dict[str, dict[str, Any]] = {
    "cover removed": {"outlet_m2": 3.0e-5},
    "drain plug": {"outlet_m2": 2.0e-5},
    "suction": {"suction_l_min": 1.6},
}

_SUCTION_WALLS = 0.26
"""Share of an axle's walls: while a tube sucks, nothing drips off them, and puddle and film together are to be what the method
leaves behind (station.given.job.RETAINED_BY_METHOD)."""


def believed_plant(spec: JobSpec) -> PlantSettings:
    """A bay that is exactly what the spec says, for one compartment holding a little less than listed."""
    wetted = _SUCTION_WALLS if spec.method == "suction" else 1.0
    return PlantSettings(
        old=_sim_fluid(spec.drained),
        fresh=_sim_fluid(spec.fresh),
        capacity_l=spec.capacity_l,
        old_volume_l=0.98 * spec.capacity_l,
        puddle_l=0.6 * spec.retained_l,
        walls_m=tuple((h, wetted * w * spec.capacity_l / 2.9) for h, w in PlantSettings().walls_m),
        k_factor_per_l=spec.meter.k_factor_per_l,
        zero_count=spec.pan.zero_count,
        kg_per_count=spec.pan.kg_per_count,
        noise_counts=spec.pan.noise_counts,
        pan_b=None if spec.pan_b is None else believed_second(spec.pan_b),
        **_OUTLET[spec.method],
    )


def believed_second(line: PanLine) -> SecondPan:
    """A second pan whose cell is exactly what its line says, and into which nothing falls."""
    return SecondPan(
        zero_count=line.zero_count, kg_per_count=line.kg_per_count, noise_counts=line.noise_counts
    )
