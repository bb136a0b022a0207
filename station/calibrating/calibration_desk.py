"""The calibration under way on a bay, and the register of certificates that its jobs rest on."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Any

from calibration import certificates
from calibration.certificates import Certificate, PanKind, is_pan
from calibration.fluid import Fluid
from hardware.sample import Sample
from station.calibrating.at_rest import AtRest, need_empty, need_load
from station.calibrating.calibrating import (
    CertificateEntry,
    Form,
    PanStep,
    Reading,
    Run,
    meter_certificate,
    pan_certificate,
)
from station.calibrating.density_desk import DensityDesk, DensityPlan, Vessel
from station.calibrating.in_force import Lines
from station.calibrating.prover import Prover
from station.calibrating.views import CalibrationView, RegisterRow
from station.common import days
from station.common.schema import read
from station.common.words import _
from station.core.step import Effect
from station.errors import InputError
from station.given.config import BayConfig
from station.given.job import JobTable, job_spec
from station.given.lines import PanLine
from station.record.ledger import now
from station.record.recorder import Recorder


class CalibrationDesk:
    """One guided procedure at a time, between jobs. Used from the engine's thread alone.

    Readings and runs go to the ledger as they are taken, so that a cut-off procedure leaves its traces. backend: whose
    lines are read; certificates of a "simulated" one say so.
    """

    def __init__(
        self,
        config: BayConfig,
        recorder: Recorder,
        register: Sequence[Certificate],
        backend: str = "pi",
    ) -> None:
        self._config, self._recorder, self._backend = config, recorder, backend
        self.register = tuple(register)
        self.kind: certificates.Kind | None = None
        self.readings: list[Reading] = []
        self.prover: Prover | None = None
        self._fluid: Fluid | None = None
        self.density: DensityDesk | None = None
        self._asked = False
        self._pan = AtRest()
        self._lines: tuple[tuple[tuple[Certificate, ...], str], Lines] | None = None

    def lines(self) -> Lines:
        """The lines in force today. A curve is fitted to the provings once, and not at every look."""
        key = self.register, days.today(self._config.zone).isoformat()
        if self._lines is None or self._lines[0] != key:
            self._lines = key, Lines.in_force(key[0], self._config, key[1])
        return self._lines[1]

    def take(self, sample: Sample) -> tuple[Effect, ...]:
        """Feed one sample; effects are the prover's."""
        self._pan.t_s = sample.t_s
        if not self.under_way:
            return ()
        self._pan.take(sample)
        return self.prover.take(sample) if self.prover is not None else ()

    def begin_pan(self, pan: PanKind = "pan") -> None:
        """Begin a calibration of a pan. Raises InputError while one is under way, or where the bay has no such pan."""
        self.need_none()
        if pan == "pan_b" and self._config.pan_b is None:
            raise InputError(_("This bay has no second pan."))
        self._begin(pan)

    def begin_meter(self, fluid: str, volume_l: float) -> None:
        """Begin a proving of the meter. fluid: a key of the bay's fluids. volume_l: of one run. Raises InputError,
        leaving all as it was."""
        self.need_none()
        self.prover = self._make_prover(fluid, volume_l)
        self._begin("meter")

    @property
    def under_way(self) -> bool:
        """Whether somebody calibrates, proves, or measures a density."""
        return self.kind is not None or self.density is not None

    def begin_density(self, plan: DensityPlan, fluid: Fluid) -> None:
        """Begin to measure the density of a fluid. Raises InputError, leaving all as it was."""
        self.need_none()
        self.density = DensityDesk(plan, fluid, self._pan, self._config.air, lambda: self.lines().pan)
        self._pan.begin()
        self._event("density_begun", plan.to_dict())

    def weigh_vessel(self, vessel: Vessel, temperature_c: float | None) -> None:
        """Read the pan under the vessel. Raises InputError."""
        self._event("density_weighed", asdict(self.need_density().weigh(vessel, temperature_c)))

    def density_saved(self, by: str) -> None:
        """The density was entered for its fluid: what it rests on goes into the record. by: who measured it, which may be
        another than who is signed in."""
        self._event("density_measured", {**self.need_density().body(), "measured_by": by, "by": by})
        self.density = None

    def give_up_density(self, reason: str) -> None:
        self.need_density()
        self._event("density_abandoned", {"reason": reason.strip() or _("no reason given")})
        self.density = None

    def need_density(self) -> DensityDesk:
        if self.density is None:
            raise InputError(_("No density is being measured. Begin with the fluid and the vessel."))
        return self.density

    def need_none(self) -> None:
        """Raises InputError while somebody calibrates, proves, or measures a density."""
        if self.under_way:
            raise InputError(
                _("A calibration or a measurement is under way on this bay. Finish or give it up first.")
            )

    def _begin(self, kind: certificates.Kind) -> None:
        self.kind, self.readings, self._asked = kind, [], False
        self._pan.begin(kind if is_pan(kind) else "pan")
        self._event("calibration_begun", {"kind": kind})

    def _make_prover(self, key: str, volume_l: float) -> Prover:
        fluids = self._config.fluids
        if key not in fluids:
            raise InputError(
                _("fluid is {key!r}; expected one of: {fluids}.").format(key=key, fluids=", ".join(fluids))
            )
        lines, config = self.lines(), self._config
        job = {"capacity": f"{volume_l!r} L", "method": "cover removed", "retained": "0 L"}
        spec = job_spec(
            read(JobTable, job, "proving", config.country, {"capacity": _("Volume of one run")}),
            "proving",
            drained=fluids[key],
            fresh=fluids[key],
            pan=lines.pan,
            meter=lines.meter,
            air=config.air,
            pump=config.pump,
        )
        self._fluid = spec.fresh
        return Prover(spec, self._config.settings)

    def read(self, step: PanStep, load_kg: float, place: str = "") -> Reading:
        """Read the pan at rest under a known load. place: where it lies, for a corner. Raises InputError."""
        if not is_pan(self.kind):
            raise InputError(_("No calibration of the pan is under way."))
        if step is PanStep.CORNER and not place.strip():
            raise InputError(_("Say where the load lies: middle, or which corner."))
        line = self.lines().of_pan(self.kind)
        level, sd = self._pan.level(line.noise_counts)
        if not self._asked:  # once: the line in use may be what is wrong
            self._asked = True
            shown_kg = self._shown_kg(level.kg, line)
            need_load(load_kg, shown_kg) if load_kg else need_empty(shown_kg)
        self._asked = False
        reading = Reading(step, load_kg, level.kg, sd, self._pan.t_s, place.strip(), self._pan.air_c)
        self.readings.append(reading)
        self._event("calibration_reading", asdict(reading))
        return reading

    def _shown_kg(self, count: float, line: PanLine) -> float:
        """What a count stands for by the farthest two loads that were read, or else by the line in use."""
        first = min(self.readings, key=lambda r: r.load_kg, default=None)
        last = max(self.readings, key=lambda r: r.load_kg, default=None)
        if first is None or last is None or first.load_kg:
            return line.indicated_kg(count) - line.indicated_kg(line.zero_count)
        if last.count == first.count:
            return line.indicated_kg(count) - line.indicated_kg(first.count)
        return (count - first.count) / (last.count - first.count) * last.load_kg

    def strike(self, index: int, reason: str) -> Reading | Run:
        """Leave a reading or run, counted from 0, out of the result; it stays in the record with the reason."""
        rows: list[Reading] | list[Run] = self.readings if is_pan(self.kind) else self._prover().runs
        if not 0 <= index < len(rows) or not reason.strip():
            raise InputError(_("Name an existing reading and the reason why it is left out."))
        struck = rows.pop(index)
        self._event("calibration_struck", {**asdict(struck), "reason": reason.strip()})
        return struck

    def _prover(self) -> Prover:
        if self.prover is None:
            raise InputError(_("No proving of the meter is under way."))
        return self.prover

    def begin_run(self) -> None:
        self._prover().begin_run()

    def end_run(self) -> None:
        self._event("calibration_run", asdict(self._prover().end_run()))

    def drop_run(self) -> None:
        self._prover().drop_run()
        self._event("calibration_struck", {"reason": _("run dropped")})

    def finish(self, entry: CertificateEntry) -> Certificate:
        """Write the certificate. Raises InputError, naming what is missing, and stays open for more readings."""
        if self.kind is None:
            raise InputError(_("No calibration is under way."))
        try:
            form = self._form(self.kind, entry)
            if is_pan(self.kind):
                certificate = pan_certificate(self.readings, form, self.kind)
            else:
                prover = self._prover()
                if self._fluid is None:
                    raise InputError(_("The proving has no fluid."))
                u_scale = prover.state.spec.pan.u_now_rel
                provings = [c for c in self.register if c.instrument == form.instrument]
                before = provings[-1] if provings else None
                certificate = meter_certificate(prover.runs, self._fluid, form, u_scale, before)
            register = certificates.append(self.register, certificate)
            Lines.in_force(register, self._config, days.today(self._config.zone).isoformat())
            self.register = register
        except ValueError as error:
            raise InputError(str(error)) from error
        self._event("certificate", {"certificate": certificate.to_json(), "sha256": certificate.digest})
        self._clear()
        return certificate

    def abandon(self, reason: str) -> None:
        """Give the procedure up; its readings stay in the record."""
        if self.kind is None:
            raise InputError(_("No calibration is under way."))
        self._event("calibration_abandoned", {"reason": reason.strip() or _("no reason given")})
        self._clear()

    def _clear(self) -> None:
        self.kind, self.prover, self.readings = None, None, []

    def _form(self, kind: certificates.Kind, entry: CertificateEntry) -> Form:
        for name, text in (("made_by", entry.made_by), ("valid_until", entry.valid_until)):
            if not text.strip():
                raise InputError(_("{name} is missing; it belongs on the certificate.").format(name=name))
        if not entry.references:
            raise InputError(
                _("references are missing; enter each weight, or the scale, with its certificate.")
            )
        if is_pan(kind) and entry.use_to_kg is None:
            raise InputError(_("use_to is missing; say up to which mass the pan will be used."))
        return Form(
            number=f"{self._config.name} {kind} {sum(c.kind == kind for c in self.register) + 1}",
            instrument=f"{self._config.name} {kind}",
            made_at=datetime.now(self._config.zone).isoformat(timespec="seconds"),
            made_by=entry.made_by.strip(),
            valid_until=entry.valid_until.strip(),
            references=entry.references,
            conditions={
                **(
                    {"bay": _("simulated, no instrument was calibrated")}
                    if self._backend == "simulated"
                    else {}
                ),
                "air °C": entry.air_c,
                "remarks": entry.remarks,
            },
            use_from_kg=entry.use_from_kg,
            use_to_kg=entry.use_to_kg or 0.0,
            replaces=entry.replaces,
        )

    def _event(self, kind: str, body: Mapping[str, Any]) -> None:
        self._recorder.event(None, kind, dict(body), now(self._pan.t_s))

    def view(self) -> CalibrationView:
        """What is under way, and the register."""
        day = days.today(self._config.zone).isoformat()
        lines, prover = self.lines(), self.prover
        held = {text.rsplit(" sha256:", 1)[0] for text in lines.certificates.values()}
        return CalibrationView(
            kind=self.kind,
            readings=tuple(self.readings),
            runs=() if prover is None else tuple(prover.runs),
            run_open=prover is not None and prover.running,
            run_volume_l=None if prover is None else prover.state.spec.capacity_l,
            run_metered_l=None if prover is None else prover.state.meter.volume_l,
            due=lines.due,
            certificates=tuple(RegisterRow.of(c, day, c.number in held) for c in reversed(self.register)),
            density=None if self.density is None else self.density.view(),
        )
