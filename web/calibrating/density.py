"""Measuring a fluid's density with a vessel, water and the pan: what the page shows of it, and its steps by POST."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Literal

from fastapi import APIRouter
from pydantic import Field
from starlette.responses import Response

from calibration.budget import expanded
from calibration.fluid import Fluid
from station.bay.plan import FluidOption
from station.bay.views import BayView
from station.calibrating.density_desk import DensityPlan, DensityView, Vessel
from station.common.words import N_, _
from station.errors import InputError
from web.frame import format as fmt
from web.frame.amounts import celsius, volume_l
from web.frame.deps import Body, DiskThreads, Line, Station, do, done
from web.live.actions import Reason

router = APIRouter(prefix="/api/density")

Name = Annotated[str, Field(max_length=100)]
ASKS = {
    Vessel.EMPTY: (N_("Put the clean, dry, empty vessel on the pan"), N_("Nothing else may touch the pan.")),
    Vessel.WATER: (
        N_("Fill it with tap water up to the mark and put it back"),
        N_("No drop outside, no bubble inside. Take the water's temperature in the vessel."),
    ),
    Vessel.FULL: (
        N_("Fill it with the fluid up to the mark and put it back"),
        N_("Wipe what ran down outside and let bubbles rise. Take the fluid's temperature in the vessel."),
    ),
}
NAMES = {Vessel.EMPTY: N_("Empty vessel"), Vessel.WATER: N_("With water"), Vessel.FULL: N_("With the fluid")}
VESSELS = {"glass": N_("glass vessel"), "steel": N_("steel vessel"), "plastic": N_("plastic vessel")}
TERMS = {
    "volume": N_("the vessel's volume"),
    "empty vessel": N_("weighing the empty vessel"),
    "full vessel": N_("weighing the filled vessel"),
    "scale slope": N_("the pan's calibration"),
    "fluid temperature": N_("the fluid's temperature"),
    "air density": N_("the air"),
}


@dataclass(frozen=True)
class Weighing:
    """One weighing of the list. now: it comes next. shown: what was read; "" before."""

    vessel: str
    name: str
    shown: str
    now: bool


@dataclass(frozen=True)
class Outcome:
    """The result in words. gain: what it would be worth; terms: (what, share of the doubt) of each, largest first."""

    density: str
    before: str
    gain: str
    may_enter: bool
    terms: Sequence[tuple[str, str]]


@dataclass(frozen=True)
class DensityPage:
    """A measurement under way. ask, then: what to do next, "" once all is weighed. temperature: asked with it; "" where it is
    read. technicians: who may have measured."""

    fluid: str
    vessel: str
    weighings: Sequence[Weighing]
    ask: str
    then: str
    step: str
    asks_temperature: bool
    temperature: str
    outcome: Outcome | None
    technicians: Sequence[str]


def density_page(found: DensityView, view: BayView, technicians: Sequence[str]) -> DensityPage:
    """view: of the bay, for the thermometer that hangs in the drained fluid."""
    read = {reading.vessel: reading for reading in found.readings}
    step = found.missing[0] if found.missing else None
    order = [vessel for vessel in Vessel if vessel in read or vessel in found.missing]
    weighings = []
    for vessel in order:
        reading = read.get(vessel)
        shown = ""
        if reading is not None:
            shown = f"{fmt.decimal(reading.kg * 1000.0, 1)} g"
            if reading.temperature_c is not None:
                shown = _("{mass} at {temperature}").format(
                    mass=shown, temperature=fmt.temperature(reading.temperature_c)
                )
        weighings.append(Weighing(vessel.value, _(NAMES[vessel]), shown, vessel is step))
    plan = found.plan
    made_of = _(VESSELS[plan.material])
    if plan.volume_l is not None:
        made_of = _("{vessel} of {volume} ± {within} mL").format(
            vessel=made_of,
            volume=fmt.decimal(plan.volume_l * 1000.0, 1),
            within=fmt.decimal(plan.within_l * 1000.0, 1),
        )
    elif found.volume_l is not None:
        made_of = _("{vessel} of {volume} mL, by the water").format(
            vessel=made_of, volume=fmt.decimal(found.volume_l * 1000.0, 1)
        )
    hangs_c = view.temperatures_c.get("fluid_drained_c")
    return DensityPage(
        fluid=found.fluid.label,
        vessel=made_of,
        weighings=weighings,
        ask="" if step is None else _(ASKS[step][0]),
        then="" if step is None else _(ASKS[step][1]),
        step="" if step is None else step.value,
        asks_temperature=step in (Vessel.WATER, Vessel.FULL),
        temperature="" if hangs_c is None else fmt.decimal(hangs_c, 1),
        outcome=_outcome(found, read[Vessel.FULL].temperature_c) if Vessel.FULL in read else None,
        technicians=technicians,
    )


def _outcome(found: DensityView, at_c: float | None) -> Outcome | None:
    result = found.result
    if result is None or at_c is None:
        return None
    known, u_known_rel = found.fluid.density_kg_m3(at_c), found.fluid.u_density_rel
    u95_rel, before_rel = result.u95 / result.value, expanded(u_known_rel)
    places = 1 if result.u95 < 10.0 else 0
    step = 10.0**-places
    u95 = math.ceil(result.u95 / step - 1e-9) * step
    gain = _(found.refusal) or (
        _(
            "With it a weighed volume is good to ± {now} % instead of ± {before} % as far as the density goes."
        ).format(now=fmt.significant(100.0 * u95_rel), before=fmt.significant(100.0 * before_rel))
    )
    return Outcome(
        density=_("{value} ± {u95} kg/m³ at {at}").format(
            value=fmt.decimal(result.value, places), u95=fmt.decimal(u95, places), at=fmt.temperature(at_c)
        ),
        before=_(
            "Entered until now: {known} kg/m³ at this temperature ({origin}), {difference} from it to the measurement."
        ).format(
            known=fmt.decimal(known, 1),
            origin=_(found.fluid.density_origin) or _("origin unknown"),
            difference=fmt.percent(100.0 * (result.value / known - 1.0), 2),
        ),
        gain=gain,
        may_enter=not found.refusal,
        terms=[(_(TERMS[t.name]), fmt.share(t.share)) for t in result.terms if t.share > 0.005],
    )


class Begin(Body):
    """volume: of the vessel up to its mark, with its unit; empty where water is to tell it. within: how far it may be off."""

    fluid: Name
    volume: Line = ""
    within: Line = ""
    material: Literal["glass", "steel", "plastic"] = "glass"


class Weigh(Body):
    vessel: Annotated[Vessel, Field(strict=False)]
    temperature: Name = ""


class Save(Body):
    by: Line


@router.post("/begin")
async def begin(engine: Station, threads: DiskThreads, body: Begin) -> Response:
    country = engine.settings().country
    volume = volume_l(_("Volume up to the mark"), body.volume, country) if body.volume.strip() else None
    within_l = volume_l(_("Good to ±"), body.within, country) if body.within.strip() else 0.0
    plan = DensityPlan(body.fluid, volume, within_l, body.material)
    await do(threads, engine.calibrations.begin_density, plan)
    return done()


@router.post("/weigh")
async def weigh(engine: Station, threads: DiskThreads, body: Weigh) -> Response:
    temperature_c = _temperature_c(body.temperature)
    await do(threads, engine.calibrations.weigh_vessel, body.vessel, temperature_c)
    return done()


@router.post("/save")
async def save(engine: Station, threads: DiskThreads, body: Save) -> Response:
    if not body.by.strip():
        raise InputError(_("Say who measured it; the name goes into the record with the density."))
    await do(threads, engine.calibrations.save_density, body.by.strip())
    return done()


@router.post("/give-up")
async def give_up(engine: Station, threads: DiskThreads, body: Reason) -> Response:
    await do(threads, engine.calibrations.give_up_density, body.reason)
    return done()


def _temperature_c(text: str) -> float | None:
    return celsius(_("Temperature in the vessel"), text, -20.0, 100.0) if text.strip() else None


def measurable(fluids: Sequence[FluidOption], known: Mapping[str, Fluid]) -> list[FluidOption]:
    """Fluids that have one figure of density to measure. known: by key."""
    return [f for f in fluids if f.key in known and known[f.key].kind in ("lubricant", "linear")]
