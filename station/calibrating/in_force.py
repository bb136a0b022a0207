"""The lines that a bay weighs and meters with today: its certificates', and where it has none its file's."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from calibration import certificates
from calibration.certificates import Certificate
from station.calibrating.calibrating import meter_line, pan_line
from station.common.words import N_, _
from station.given.config import BayConfig
from station.given.lines import MeterLine, PanLine

INSTRUMENTS = {"pan": N_("pan"), "pan_b": N_("second pan"), "meter": N_("meter")}
"""Kind of certificate → what a sentence calls the instrument."""
UNDATED_DAYS = 365.0
"""A line that only the bay's file states is taken to be as old as a certificate that is just about to run out."""


@dataclass(frozen=True)
class Lines:
    """What a bay is measured with: the one place to ask. pan_b: None where it has one pan. certificates: pan, pan_b, meter →
    number and check sum, of those whose line comes from one; due: what has run out."""

    pan: PanLine
    meter: MeterLine
    certificates: Mapping[str, str]
    due: str | None
    pan_b: PanLine | None = None

    def of_pan(self, pan: str) -> PanLine:
        """The line of one of the bay's pans; raises KeyError for one that it lacks."""
        return {name: line for name, line in (("pan", self.pan), ("pan_b", self.pan_b)) if line is not None}[
            pan
        ]

    @classmethod
    def in_force(cls, register: Sequence[Certificate], config: BayConfig, day: str) -> "Lines":
        """The newest certificates' lines; where there is none, the bay's file's. One that ran out is still used, and
        said to be due. Each has its age: what may have moved since is in every figure's doubt. Raises InputError for a
        certificate without a line that can weigh or meter."""
        found, named, due = _newest(register, config.name, day)
        age_days = {kind: certificate.age_days(day) for kind, certificate in found.items()}
        pans = {
            pan: pan_line(found[pan]) if pan in found else stated
            for pan, stated in (("pan", config.pan), ("pan_b", config.pan_b))
            if stated is not None
        }
        aged = {
            pan: replace(line, age_days=age_days.get(pan, line.age_days or UNDATED_DAYS))
            for pan, line in pans.items()
        }
        meter_now = meter_line(found["meter"], register, day) if "meter" in found else config.meter
        return cls(
            aged["pan"],
            replace(meter_now, age_days=age_days.get("meter", meter_now.age_days or UNDATED_DAYS)),
            named,
            due,
            aged.get("pan_b"),
        )


def _newest(
    register: Sequence[Certificate], bay: str, day: str
) -> tuple[dict[str, Certificate], dict[str, str], str | None]:
    named, due = {}, []
    found: dict[str, Certificate] = {}
    replaced = {c.replaces for c in register}
    for kind in certificates.KINDS:
        mine = [
            c
            for c in register
            if c.kind == kind and c.instrument == f"{bay} {kind}" and c.number not in replaced
        ]
        if not mine:
            continue
        newest = max(mine, key=lambda c: datetime.fromisoformat(c.made_at))
        held = certificates.in_force(register, kind, newest.instrument, day)
        found[kind] = held if held is not None else newest
        named[kind] = f"{found[kind].number} sha256:{found[kind].digest[:16]}"
        if held is None:
            due.append(
                _("certificate {number} of the {instrument} ran out on {day}").format(
                    number=newest.number, instrument=_(INSTRUMENTS[kind]), day=newest.valid_until
                )
            )
    return found, named, "; ".join(due) or None
