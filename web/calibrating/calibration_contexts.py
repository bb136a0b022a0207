"""What the calibration pages are given."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Protocol

from calibration.certificates import Certificate, is_pan
from station.bay.identity import short
from station.bay.plan import FluidOption, PlanOptions
from station.bay.views import BayView
from station.calibrating.at_rest import CALM_FACTOR
from station.calibrating.calibrating import Reading
from station.calibrating.calibrating import Run as ProvingRun
from station.calibrating.views import CalibrationView
from station.common import days
from station.common.words import _
from station.given.config import BayConfig
from station.given.lines import PanLine
from station.weighing.limits import LIMITS as WEIGHING
from web.calibrating import guide, register
from web.calibrating.density import DensityPage, density_page, measurable
from web.calibrating.guide import Ask, Part
from web.calibrating.procedure import Procedure
from web.frame import format as fmt
from web.frame.listing import Asked, Listing
from web.live.live import Live

RUNS_NEEDED = 5
"""Fewer runs prove nothing (``calibration.meter.prove``)."""
REFERENCE_ROWS = 3
LEAST_U_KG = 1e-7
"""A form is not begun with an uncertainty that nobody could state of a pan."""


class Dense(Protocol):
    def density_kg_m3(self, temperature_c: float, /) -> float: ...


@dataclass(frozen=True)
class Taken:
    """A reading or run. index: its place in the station's list, "" for one that was struck."""

    index: str
    title: str
    cells: Sequence[tuple[str, str]]
    struck: str


@dataclass(frozen=True)
class Calm:
    """What the page needs to see that the pan is at rest, in grams and seconds. word: what to say then.
    empty_g, wanted_g: None where unknown."""

    word: str

    noise_g: float
    window_s: float
    empty_g: float | None
    wanted_g: float | None


@dataclass(frozen=True)
class Run:
    """The proving as it stands. number: of the run that is open or comes next. open: it was begun and not weighed."""

    number: int
    open: bool
    volume: str
    result: str
    enough: bool


@dataclass(frozen=True)
class ReferenceRow:
    name: str
    value: str
    u: str
    certificate: str
    valid_until: str


@dataclass(frozen=True)
class Finish:
    """What the finish form starts with. use_to: "" for a meter."""

    kind: str
    valid_until: str
    references: Sequence[ReferenceRow]
    use_to: str
    air_c: str
    technicians: Sequence[str]
    replaces: Sequence[str]


@dataclass(frozen=True)
class CalibrationPage:
    """``/calibration``: what is in use, what is under way, and the register. kind: "" between calibrations.
    density: where one is being measured. measurable: fluids for which that can be."""

    live: Live
    simulated: bool
    kind: str
    second_pan: bool
    in_use: Sequence[register.InUse]
    parts: Sequence[Part]
    ask: Ask | None
    under_load: str
    calm: Calm | None
    run: Run | None
    taken: Sequence[Taken]
    finish: Finish | None
    fluids: Sequence[FluidOption]
    density: DensityPage | None
    measurable: Sequence[FluidOption]
    loads: str
    certificates: Sequence[register.CertificateRow]
    list: Listing
    software: str


def k_factor_per_l(run: ProvingRun, fluid: Dense | None) -> float | None:
    """Pulses per litre of one run at its own temperature; the certificate states the same figure per run."""
    if fluid is None:
        return None
    volume_l = run.mass_kg / fluid.density_kg_m3(run.temperature_c) * 1000.0
    return run.pulses / volume_l


def _reading_cells(reading: Reading) -> list[tuple[str, str]]:
    return [
        (_("Load"), fmt.load(reading.load_kg)),
        (_("Where"), _(reading.place) or fmt.UNKNOWN),
        (_("Counts"), fmt.decimal(reading.count, 0)),
        (_("Scatter"), _("{n} counts").format(n=fmt.decimal(reading.sd_counts, 0))),
    ]


def _run_cells(run: ProvingRun, fluid: Dense | None) -> list[tuple[str, str]]:
    k = k_factor_per_l(run, fluid)
    return [
        (_("K-factor"), fmt.UNKNOWN if k is None else _("{k} pulses/L").format(k=fmt.decimal(k, 2))),
        (_("Pulses"), str(run.pulses)),
        (_("Mass"), f"{fmt.decimal(run.mass_kg * 1000, 1)} g"),
        (_("Fluid"), str(fmt.temperature(run.temperature_c))),
        (_("Flow"), str(fmt.flow(run.flow_l_min))),
    ]


def taken(data: CalibrationView, procedure: Procedure, fluid: Dense | None) -> list[Taken]:
    """Readings or runs as rows, the newest first, and after them those that were struck."""

    def row(item: Reading | ProvingRun, index: str, number: int, struck: str) -> Taken:
        if isinstance(item, ProvingRun):
            title = _("Run {number}").format(number=number) if index else _("Run")
            return Taken(index, title, _run_cells(item, fluid), struck)
        return Taken(index, _(guide.NAMES[item.step]), _reading_cells(item), struck)

    items: Sequence[Reading | ProvingRun] = data.runs if data.kind == "meter" else data.readings
    rows = [row(item, str(i), i + 1, "") for i, item in enumerate(items)]
    return [*reversed(rows), *(row(item, "", 0, reason) for item, reason in procedure.struck)]


def _run(data: CalibrationView, fluid: Dense | None) -> Run:
    known = [k for k in (k_factor_per_l(run, fluid) for run in data.runs) if k is not None]
    result = ""
    if len(known) > 1:
        mean = sum(known) / len(known)
        spread = (max(known) - min(known)) / mean * 100
        result = _("Mean {mean} pulses/L; the runs lie within {spread} %.").format(
            mean=fmt.decimal(mean, 2), spread=fmt.decimal(spread, 3)
        )
    count = len(data.runs)
    return Run(
        count + 1,
        data.run_open,
        str(fmt.litres(data.run_volume_l)),
        result,
        count >= RUNS_NEEDED,
    )


def _calm(data: CalibrationView, ask: Ask | None, line: PanLine) -> Calm:
    empty = next((r for r in data.readings if r.load_kg == 0.0), None)
    empty_g = None if empty is None else line.indicated_kg(empty.count) * 1000
    noise_g = line.noise_kg * 1000 * CALM_FACTOR
    word = _("The pan is calm") if data.kind == "meter" else _("Calm: read it now")
    return Calm(word, noise_g, WEIGHING.window_s, empty_g, None if ask is None else ask.load.kg * 1000)


def _a_year_on(today: date) -> str:
    try:
        return today.replace(year=today.year + 1).isoformat()
    except ValueError:  # 29 February
        return today.replace(year=today.year + 1, day=28).isoformat()


def _finish(
    kind: str,
    data: CalibrationView,
    pan_certificate: Certificate | None,
    view: BayView,
    technicians: Sequence[str],
    today: date,
) -> Finish:
    blank = ReferenceRow("", "", "", "", "")
    rows = [blank] * REFERENCE_ROWS
    heaviest_kg = max((r.load_kg for r in data.readings), default=0.0)
    if data.kind == "meter":
        rows = [_scale_row(data.runs, pan_certificate), blank]
    air_c = view.temperatures_c.get("air_c")
    return Finish(
        kind=kind,
        valid_until=_a_year_on(today),
        references=rows,
        use_to=fmt.load(heaviest_kg) if data.kind != "meter" and heaviest_kg > 0 else "",
        air_c="" if air_c is None else fmt.decimal(air_c, 1),
        technicians=technicians,
        replaces=[c.number for c in data.certificates if c.kind == data.kind],
    )


def _scale_row(runs: Sequence[ProvingRun], held: Certificate | None) -> ReferenceRow:
    """A meter is proved by weighing into the pan: its certificate is the reference."""
    if held is None or not runs:
        return ReferenceRow(_("the bay's pan"), "", "", "", "")
    mass_kg = sum(run.mass_kg for run in runs) / len(runs)
    u_kg = mass_kg * float(held.result["line"]["u_rel"])
    return ReferenceRow(
        held.instrument,
        f"{fmt.decimal(mass_kg * 1000, 1)} g",
        fmt.load(float(f"{max(u_kg, LEAST_U_KG):.2g}")),
        held.number,
        held.valid_until,
    )


def calibration_page(
    data: CalibrationView,
    procedure: Procedure,
    *,
    live: Live,
    view: BayView,
    options: PlanOptions,
    settings: BayConfig,
    pan_certificate: Certificate | None,
    fluid: Dense | None,
    simulated: bool,
    chosen: str | None,
    software: str,
    asked: Asked,
    page: int,
) -> CalibrationPage:
    """settings: the bay's, with the lines in force. fluid: what the meter is proved with, None where unknown. software: the whole identity of what runs.
    asked, page: what is wanted of the register."""
    shown, frame = asked.by_page(register.wanted(data.certificates, asked), page)
    kind = data.kind or ("density" if data.density is not None else "")
    second, today = settings.pan_b is not None, days.today(settings.zone)
    pan_line = settings.pan_b if kind == "pan_b" and settings.pan_b is not None else settings.pan
    on_pan = is_pan(kind)
    parts, ask = guide.parts(procedure.loads, data.readings, chosen) if on_pan else ([], None)
    return CalibrationPage(
        live=live,
        simulated=simulated,
        kind=kind,
        second_pan=second,
        in_use=list(register.in_use(data.certificates, today, second).values()),
        parts=parts,
        ask=ask,
        under_load=guide.minutes_under_load(data.readings, view.t_s)
        if ask is not None and ask.step == "creep"
        else "",
        calm=_calm(data, ask, pan_line) if kind else None,
        run=_run(data, fluid) if kind == "meter" else None,
        taken=taken(data, procedure, fluid) if data.kind else [],
        finish=_finish(data.kind, data, pan_certificate, view, options.technicians, today)
        if data.kind
        else None,
        fluids=options.fluids,
        density=None if data.density is None else density_page(data.density, view, options.technicians),
        measurable=measurable(options.fluids, settings.fluids),
        loads=guide.default_loads(),
        certificates=[register.row_of(row, today) for row in shown],
        list=frame,
        software=short(software),
    )
