"""What a page may know of calibrations: the one under way, and the register. Frozen; JSON in ``to_dict`` alone."""

from dataclasses import asdict, dataclass, replace
from typing import Any

from calibration.certificates import Certificate, Kind
from station.calibrating.calibrating import PAN_STEPS, Reading, Run
from station.calibrating.density_desk import DensityView
from station.common.words import _


@dataclass(frozen=True)
class RegisterRow:
    """A certificate in the register. valid: it has not run out. in_use: jobs are measured by it."""

    number: str
    kind: Kind
    instrument: str
    made_at: str
    made_by: str
    valid_until: str
    statement: str
    valid: bool
    in_use: bool

    @classmethod
    def of(cls, certificate: Certificate, day: str, in_use: bool) -> "RegisterRow":
        """day: today, as an ISO date of the shop."""
        return cls(
            number=certificate.number,
            kind=certificate.kind,
            instrument=certificate.instrument,
            made_at=certificate.made_at,
            made_by=certificate.made_by,
            valid_until=certificate.valid_until,
            statement=certificate.statement,
            valid=certificate.valid_on(day),
            in_use=in_use,
        )


@dataclass(frozen=True)
class CalibrationView:
    """kind: None between calibrations. run_…: of a meter's proving. due: what has run out. certificates: newest first.
    density: the measurement of one under way."""

    kind: Kind | None
    readings: tuple[Reading, ...]
    runs: tuple[Run, ...]
    run_open: bool
    run_volume_l: float | None
    run_metered_l: float | None
    due: str | None
    certificates: tuple[RegisterRow, ...]
    density: DensityView | None = None

    def to_dict(self) -> dict[str, Any]:
        """As JSON carries it, with what each step of a pan's calibration is."""
        return {
            **asdict(replace(self, density=None)),
            "density": None if self.density is None else self.density.to_dict(),
            "steps": {str(step): _(text) for step, text in PAN_STEPS.items()},
        }
