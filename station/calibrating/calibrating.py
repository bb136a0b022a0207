"""From the readings of a guided procedure to a certificate, and from certificates to the bay's lines. Pure."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from statistics import fmean
from typing import Any

from calibration import certificates, drift, loadcell, meter, procedures
from calibration.certificates import Certificate, Reference
from calibration.fluid import Fluid
from calibration.weighing_classes import Findings, claim
from calibration.weighing_uncertainty import WeighingUncertainty, weighing_uncertainty
from station.common.digits import number
from station.common.schema import Table, read
from station.common.words import N_, _
from station.given.lines import MeterLine, PanLine


class PanStep(StrEnum):
    """What can be read for a pan, in order. Loading is needed; what else is done narrows the claim's unknowns."""

    UP = "up"
    DOWN = "down"
    REPEAT = "repeat"
    CORNER = "corner"
    CREEP = "creep"
    EMPTY_AFTER = "empty_after"
    WARM = "warm"


PAN_STEPS = {
    PanStep.UP: N_("Known masses, loading: empty pan first, then each load heavier than the last"),
    PanStep.DOWN: N_("The same loads, unloading"),
    PanStep.REPEAT: N_("One load put on at least three times, the pan emptied in between"),
    PanStep.CORNER: N_("One load in the middle and in each corner"),
    PanStep.CREEP: N_("One load left for 30 minutes, read now and then"),
    PanStep.EMPTY_AFTER: N_("The empty pan just after that load came off"),
    PanStep.WARM: N_("The empty pan, four times or more while the shop warms or cools by five degrees"),
}
"""What each step of a pan's calibration is, in words."""

REFERENCES_WITHIN_REL = 0.01
"""By so much the loads as typed may exceed the references' own values: a weight of 2 kg may be one of 1.9996 kg."""
TARGET_U95_REL = 0.002
"""What a proving in a workshop is held to: the mean K-factor to ± 0.2 %, by the form of API MPMS 4.8."""


@dataclass(frozen=True)
class Reading:
    """One calm stretch of the pan. place: for a corner, where; "middle" is the middle.

    temperature_c: of the air; None where it was not read.
    """

    step: PanStep
    load_kg: float
    count: float
    sd_counts: float
    t_s: float
    place: str = ""
    temperature_c: float | None = None


@dataclass(frozen=True)
class Run:
    """One proving run. mass_kg: what the pan took, air buoyancy taken out."""

    pulses: int
    mass_kg: float
    temperature_c: float
    flow_l_min: float
    u_mass_kg: float


@dataclass(frozen=True)
class CertificateEntry:
    """What the person who calibrates says for the certificate. use_…_kg: a pan's range of use. air_c: None where not
    read. replaces: the number of a certificate that this one corrects. valid_until: an ISO date."""

    made_by: str
    valid_until: str
    references: tuple[Reference, ...]
    use_from_kg: float = 0.0
    use_to_kg: float | None = None
    air_c: float | None = None
    remarks: str = ""
    replaces: str | None = None


@dataclass(frozen=True)
class Form:
    """What a certificate says beside its readings. use_…_kg and u_reference_rel are a pan's."""

    number: str
    instrument: str
    made_at: str
    made_by: str
    valid_until: str
    references: tuple[Reference, ...]
    conditions: Mapping[str, Any] = field(default_factory=dict)
    use_from_kg: float = 0.0
    use_to_kg: float = 0.0
    replaces: str | None = None


def _of(readings: Sequence[Reading], step: PanStep) -> list[Reading]:
    return [r for r in readings if r.step == step]


def pan_findings(readings: Sequence[Reading], fit: loadcell.LoadCellFit) -> Findings:
    """What each procedure that was done has found. Raises ValueError where one was begun and left unfinished."""

    def kg(reading: Reading) -> float:
        return float(fit.mass_kg(reading.count))

    up, down, repeat = _of(readings, PanStep.UP), _of(readings, PanStep.DOWN), _of(readings, PanStep.REPEAT)
    both = [(u, next((off for off in down if off.load_kg == u.load_kg), None)) for u in up]
    pairs = [(u, off) for u, off in both if off is not None]
    corner, creep, after = (
        _of(readings, PanStep.CORNER),
        _of(readings, PanStep.CREEP),
        _of(readings, PanStep.EMPTY_AFTER),
    )
    warm = [(r.temperature_c, kg(r)) for r in _of(readings, PanStep.WARM) if r.temperature_c is not None]
    if len(warm) < len(_of(readings, PanStep.WARM)):
        raise ValueError(
            _(
                "a reading while warming has no air temperature. Connect the air's thermometer, or strike that reading."
            )
        )
    middle = [kg(r) for r in corner if r.place == "middle"]
    if corner and not middle:
        raise ValueError(_("corner load has no reading in the middle. Put the load there and read it."))
    zero = kg(up[0]) - up[0].load_kg if up else 0.0
    return Findings(
        max_kg=max(r.load_kg for r in readings),
        errors_kg=tuple((r.load_kg, kg(r) - r.load_kg - zero) for r in (*up, *down)),
        hysteresis=procedures.hysteresis(
            [u.load_kg for u, _ in pairs], [kg(u) for u, _ in pairs], [kg(off) for _, off in pairs]
        )
        if pairs
        else None,
        repeatability=procedures.repeatability([kg(r) for r in repeat]) if repeat else None,
        corner_load=procedures.corner_load(
            fmean(middle), {r.place: kg(r) for r in corner if r.place != "middle"}
        )
        if corner
        else None,
        creep=procedures.creep([r.t_s for r in creep], [kg(r) for r in creep]) if creep else None,
        temperature_effect=procedures.temperature_effect([t for t, _ in warm], [m for _, m in warm])
        if warm
        else None,
        zero_return=procedures.zero_return(kg(up[0]), kg(after[-1])) if after and up else None,
    )


def pan_certificate(readings: Sequence[Reading], form: Form, kind: certificates.Kind = "pan") -> Certificate:
    """Fit, findings and claim of a pan. kind: pan, or pan_b of a second one. Raises ValueError where the readings do not carry a calibration."""
    loads = _of(readings, PanStep.UP) + _of(readings, PanStep.DOWN)
    heaviest = max((r.load_kg for r in loads), default=0.0)
    known_kg = sum(r.value for r in form.references)
    if known_kg < heaviest * (1.0 - REFERENCES_WITHIN_REL):
        raise ValueError(
            _(
                "{heaviest_kg} kg lay on the pan, and the references come to {known_kg} kg. Enter every weight that lay on it, or strike that reading."
            ).format(heaviest_kg=number(heaviest, "g"), known_kg=number(known_kg, "g"))
        )
    u_reference_rel = math.sqrt(sum(r.u**2 for r in form.references)) / heaviest if heaviest > 0 else 0.0
    fit = loadcell.calibrate(
        [r.count for r in loads],
        [r.load_kg for r in loads],
        use_from_kg=form.use_from_kg,
        use_to_kg=form.use_to_kg,
        u_reference_rel=u_reference_rel,
    )
    findings = pan_findings(readings, fit)
    result, statement = certificates.pan_result(fit, claim(findings))
    doubt = weighing_uncertainty(fit, findings)
    creep_at_kg = max((r.load_kg for r in readings if r.step is PanStep.CREEP), default=heaviest)
    result["line"] = vars(
        _line(fit, [r.sd_counts for r in readings], doubt, doubt.u_creep_kg / creep_at_kg)
    ) | {"dof_slope": doubt.dof_slope if math.isfinite(doubt.dof_slope) else None}
    data = {
        "step": [r.step for r in readings],
        "place": [r.place for r in readings],
        "load_kg": [r.load_kg for r in readings],
        "count": [r.count for r in readings],
        "sd_counts": [r.sd_counts for r in readings],
        "t_s": [r.t_s for r in readings],
        "temperature_c": [r.temperature_c for r in readings],
    }
    return _certificate(kind, form, data, result, statement)


ROUNDING_COUNTS = 1.0 / math.sqrt(12.0)
"""A whole count is doubtful by its rounding however still it stands (JCGM 100:2008, F.2.2.1)."""


def _line(
    fit: loadcell.LoadCellFit, noises: Sequence[float], doubt: WeighingUncertainty, creep_rel: float
) -> PanLine:
    """The fit as a job uses it: from its zero, in counts."""
    b0, b1, *rest = (float(c) for c in fit.coefficients)
    b2 = rest[0] if rest else 0.0
    zero = -b0 / b1
    for _step in range(20):  # Newton, from the line's zero: a pan's bend is slight
        zero -= (b0 + zero * (b1 + zero * b2)) / (b1 + 2.0 * zero * b2)
    return PanLine(
        zero_count=zero,
        kg_per_count=b1 + 2.0 * zero * b2,
        u_rel=doubt.u_slope_rel,
        noise_counts=max(fmean(noises), ROUNDING_COUNTS),
        creep_rel=creep_rel,
        kg_per_count2=b2,
        u_indication_kg=doubt.u_indication_kg,
        dof_slope=doubt.dof_slope,
        u_linearity_kg=doubt.u_linearity_kg,
        u_kg_per_c=doubt.u_kg_per_c,
    )


OWN_TERMS = ("scatter of the runs", "pulse resolution")
"""What two provings on one pan with one fluid do not share: the scale and the density cancel in their ratio."""


def _own_u(result: Mapping[str, Any]) -> float:
    return math.sqrt(sum(t["u"] ** 2 for t in result["budget"]["terms"] if t["name"] in OWN_TERMS))


def _drift(result: Mapping[str, Any], previous: Certificate) -> tuple[dict[str, Any], str]:
    """How far the K-factor has moved since the proving before, and a sentence for it."""
    before = previous.result
    moved = drift.change(
        float(before["k_factor_per_l"]), _own_u(before), float(result["k_factor_per_l"]), _own_u(result)
    )
    text = (
        _("Since {number} the K-factor has moved by {relative}, more than both can explain: find out why.")
        if moved.significant
        else _("Since {number} the K-factor has moved by {relative}, within what both can explain.")
    )
    return (
        {"since": previous.number, **vars(moved)},
        " " + text.format(number=previous.number, relative=number(moved.relative, "+.2%")),
    )


def meter_certificate(
    runs: Sequence[Run], fluid: Fluid, form: Form, u_scale_rel: float, previous: Certificate | None = None
) -> Certificate:
    """Proving of a meter by weighing. Raises ValueError where the runs do not carry one.

    u_scale_rel: relative standard uncertainty of the pan's slope, common to all runs. previous: the proving
    before, to tell the drift.
    """
    proving = meter.prove(
        [r.pulses for r in runs],
        [r.mass_kg for r in runs],
        [r.temperature_c for r in runs],
        fluid,
        u_masses_rel=u_scale_rel,
        u_temperature_c=0.5,
    )
    result, statement = certificates.meter_result(proving, TARGET_U95_REL)
    if previous is not None:
        result["drift"], moved = _drift(result, previous)
        statement += moved
    kvs = [fluid.viscosity_mm2_s(r.temperature_c) for r in runs]
    known = [kv for kv in kvs if kv is not None]
    result["flow_l_min"] = fmean(r.flow_l_min for r in runs)
    result["kv_mm2_s"] = fmean(known) if len(known) == len(kvs) else None
    data = {
        "pulses": [r.pulses for r in runs],
        "mass_kg": [r.mass_kg for r in runs],
        "temperature_c": [r.temperature_c for r in runs],
        "flow_l_min": [r.flow_l_min for r in runs],
        "k_factor_per_l": list(proving.runs_k_per_l),
    }
    return _certificate("meter", form, data, result, statement)


def _certificate(
    kind: certificates.Kind, form: Form, data: Mapping[str, Any], result: Mapping[str, Any], statement: str
) -> Certificate:
    return Certificate(
        number=form.number,
        kind=kind,
        instrument=form.instrument,
        made_at=form.made_at,
        made_by=form.made_by,
        valid_until=form.valid_until,
        references=form.references,
        conditions=form.conditions,
        data=data,
        result=result,
        statement=statement,
        replaces=form.replaces,
    )


class _Pan(Table):
    line: PanLine


class _Meter(Table):
    line: MeterLine


def pan_line(certificate: Certificate) -> PanLine:
    """The line that a pan's certificate gives to a job. Raises InputError where it holds none that can weigh."""
    line = certificate.result.get("line")
    if isinstance(line, Mapping) and line.get("dof_slope") is None:
        line = {**line, "dof_slope": math.inf}
    return read(_Pan, {"line": line}, f"certificate {certificate.number}").line


def meter_line(certificate: Certificate, register: Sequence[Certificate], day: str) -> MeterLine:
    """The line that a meter's certificates give to a job: the newest one's K-factor, and a curve if proved.

    Three or more provings in force at different flows or viscosities may prove a curve; see meter.fit_curve.
    """
    budget = certificate.result["budget"]
    dof = math.inf if budget["dof"] is None else float(budget["dof"])
    k, u_rel = float(budget["value"]), float(budget["u"]) / float(budget["value"])
    values = {"k_factor_per_l": k, "u_rel": u_rel, "dof": dof}
    line = read(_Meter, {"line": values}, f"certificate {certificate.number}").line
    replaced = {c.replaces for c in register}
    peers = [
        c
        for c in register
        if (c.kind, c.instrument) == ("meter", certificate.instrument)
        and c.number not in replaced
        and c.valid_on(day)
        and c.result.get("kv_mm2_s") is not None
    ]
    if len(peers) < 3:
        return line
    try:
        curve = meter.fit_curve(
            [float(c.result["k_factor_per_l"]) for c in peers],
            [float(c.result["flow_l_min"]) for c in peers],
            [float(c.result["kv_mm2_s"]) for c in peers],
            u_common_rel=u_rel,
        )
    except ValueError:
        return line  # the provings are too much alike; one K-factor it is
    return line if curve.is_constant else MeterLine(k, u_rel, dof, curve)
