"""From known masses on the pan to the line that turns counts into kilograms.

Least squares of mass on counts, by QR on centred and scaled counts: squares of 24-bit counts beside
residuals of milligrams would lose their digits in the normal equations. Masses are taken as the exact side
and counts as quiet. The bias of regressing on the noisy side is the square of noise over span, below 1e-9
for an averaged reading.

A known mass is a conventional mass (what is marked on a weight), so that the fit yields indicated mass;
air buoyancy of the fluid comes after it, in calibration.buoyancy.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from math import sqrt
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from calibration.ranges import FloatArray, FloatOrArray, as_result
from calibration.student import student_t
from station.common.digits import number
from station.common.words import _

# A curve is believed only if its bend is this sure; a line is the simpler claim.
EVIDENCE_PERCENT: Final = 99
# Between two known masses the fit is only as good as its form, so a gap may be at most half of the use.
LARGEST_GAP: Final = 0.5
SMALLEST_NUMBER_OF_LOADS: Final = 3
# Readings that scatter about their own line by more than this share of the heaviest load are no cell's but somebody's slip
# (common practice, no source: a poor cell keeps a tenth of it).
SLIP: Final = 0.01


@dataclass(frozen=True)
class LoadCellFit:
    """Indicated mass as a polynomial of counts, with the covariance of its coefficients.

    Kept in x = (counts - centre) / scale, where the numbers are harmless; `coefficients` and `covariance`
    give the same in powers of raw counts. counts_low and counts_high: the span that was calibrated.
    residual_sd_kg: standard deviation of the residuals with `dof` degrees of freedom. u_reference_rel:
    relative standard uncertainty that all known masses share. reason: why this degree, for the record.
    """

    centre: float
    scale: float
    scaled_coefficients: tuple[float, ...]
    scaled_covariance: tuple[tuple[float, ...], ...]
    residual_sd_kg: float
    dof: int
    counts_low: float
    counts_high: float
    u_reference_rel: float = 0.0
    reason: str = ""

    @property
    def degree(self) -> int:
        return len(self.scaled_coefficients) - 1

    @property
    def coefficients(self) -> FloatArray:
        """b_0, b_1, ... with mass_kg = sum b_i counts^i; kg per count^i, shape (degree + 1,)."""
        raw: FloatArray = self._to_raw() @ np.array(self.scaled_coefficients)
        return raw

    @property
    def covariance(self) -> FloatArray:
        """Covariance of `coefficients`, shape (degree + 1, degree + 1)."""
        back = self._to_raw()
        raw: FloatArray = back @ np.array(self.scaled_covariance) @ back.T
        return raw

    @property
    def u_slope_rel(self) -> float:
        """Relative standard uncertainty of a mass difference across the whole calibrated span."""
        low, high = ((c - self.centre) / self.scale for c in (self.counts_low, self.counts_high))
        g = np.array([high**i - low**i for i in range(self.degree + 1)])
        variance = float(g @ np.array(self.scaled_covariance) @ g)
        difference = float(g @ np.array(self.scaled_coefficients))
        return sqrt(variance / difference**2 + self.u_reference_rel**2)

    def covers(self, counts: float) -> bool:
        """Whether a reading lies within the span that was calibrated."""
        return self.counts_low <= counts <= self.counts_high

    def mass_kg(self, counts: FloatOrArray) -> FloatOrArray:
        """Indicated mass in kg for counts; scalar or array, the same shape back. Beyond the calibrated
        span it goes on along the same line: a live reading must not stop a job (see `covers`)."""
        b = self.scaled_coefficients
        if isinstance(counts, (float, int)):
            x = (counts - self.centre) / self.scale
            return b[0] + x * b[1] if len(b) == 2 else b[0] + x * (b[1] + x * b[2])
        xs = (np.asarray(counts, dtype=float) - self.centre) / self.scale
        return as_result(b[0] + xs * b[1] if len(b) == 2 else b[0] + xs * (b[1] + xs * b[2]))

    def u_mass_kg(self, counts: FloatOrArray) -> FloatOrArray:
        """Standard uncertainty in kg of mass_kg from the fit and the known masses (JCGM 100, H.3).

        Noise, creep and resolution of the reading itself are terms of their own in the budget.
        """
        x = (np.asarray(counts, dtype=float) - self.centre) / self.scale
        g = np.stack([x**i for i in range(self.degree + 1)], axis=-1)
        variance = np.einsum("...i,ij,...j->...", g, np.array(self.scaled_covariance), g)
        shared = self.u_reference_rel * np.asarray(self.mass_kg(counts))
        return as_result(np.sqrt(variance + shared**2))

    def to_dict(self) -> dict[str, Any]:
        """Plain data for a certificate; from_dict gives an equal fit."""
        return asdict(self)

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> LoadCellFit:
        rows = tuple(tuple(row) for row in data["scaled_covariance"])
        values = {
            **data,
            "scaled_coefficients": tuple(data["scaled_coefficients"]),
            "scaled_covariance": rows,
        }
        return cls(**values)

    def _to_raw(self) -> FloatArray:
        """Matrix from coefficients of ((counts - centre)/scale)^i to those of counts^i."""
        m = np.zeros((self.degree + 1, self.degree + 1))
        power = np.array([1.0])
        for i in range(self.degree + 1):
            m[: i + 1, i] = power
            power = np.convolve(power, [-self.centre / self.scale, 1.0 / self.scale])
        return m


def fit(
    counts: npt.ArrayLike, masses_kg: npt.ArrayLike, degree: int = 1, *, u_reference_rel: float = 0.0
) -> LoadCellFit:
    """Fit a line (degree 1) or a quadratic (degree 2) through counts and known masses.

    counts, masses_kg: shape (n,), n >= degree + 2, so that a residual remains to judge the fit by.
    u_reference_rel: relative standard uncertainty common to the known masses. Raises ValueError for other
    degrees or shapes, values that are not finite, or too few readings or different counts.
    """
    x, y = np.asarray(counts, dtype=float), np.asarray(masses_kg, dtype=float)
    if degree not in (1, 2):
        raise ValueError(
            _("degree is {degree!r}, expected 1 (a line) or 2 (a quadratic).").format(degree=degree)
        )
    if x.ndim != 1 or x.shape != y.shape:
        raise ValueError(f"counts {x.shape} and masses {y.shape} differ, expected two lists of equal length.")
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise ValueError("counts or masses hold a value that is not finite. Repeat that reading.")
    if not 0.0 <= u_reference_rel < 1.0:
        raise ValueError(f"u_reference_rel is {u_reference_rel!r}, expected 0 to 1 (0.0001 for 0.01 %).")
    if x.size < degree + 2 or np.unique(x).size < degree + 1:
        raise ValueError(
            _(
                "{n} readings at {counts} different counts, expected at least {least} readings at {loads} different loads. Add known masses."
            ).format(n=x.size, counts=np.unique(x).size, least=degree + 2, loads=degree + 1)
        )
    low, high = float(x.min()), float(x.max())
    centre, scale = float(x.mean()), (high - low) / 2.0
    design = np.vander((x - centre) / scale, degree + 1, increasing=True)
    q, r = np.linalg.qr(design)
    b = np.linalg.solve(r, q.T @ y)
    residuals = y - design @ b
    dof = x.size - degree - 1
    variance = float(residuals @ residuals) / dof
    r_inverse = np.linalg.inv(r)
    covariance = variance * (r_inverse @ r_inverse.T)
    return LoadCellFit(
        centre=centre,
        scale=scale,
        scaled_coefficients=tuple(b.tolist()),
        scaled_covariance=tuple(tuple(row) for row in covariance.tolist()),
        residual_sd_kg=sqrt(variance),
        dof=dof,
        counts_low=low,
        counts_high=high,
        u_reference_rel=float(u_reference_rel),
        reason=_("degree {degree} as asked for").format(degree=degree),
    )


def calibrate(
    counts: npt.ArrayLike,
    masses_kg: npt.ArrayLike,
    *,
    use_from_kg: float,
    use_to_kg: float,
    u_reference_rel: float = 0.0,
) -> LoadCellFit:
    """Calibrate a pan for its use: known masses that span it, and a line or a quadratic by evidence.

    counts, masses_kg: shape (n,), loading up and down alike, the empty pan as mass 0.
    use_from_kg, use_to_kg: what the pan will weigh. Raises ValueError if the masses do not span the use,
    leave a gap of more than half of it, or are fewer than three different loads; and as fit() does.
    """
    require_span(masses_kg, use_from_kg, use_to_kg)
    line = fit(counts, masses_kg, 1, u_reference_rel=u_reference_rel)
    _require_line(line, counts, masses_kg)
    loads = np.unique(np.asarray(masses_kg, dtype=float)).size
    if loads < 4 or line.dof < 3:
        return replace(
            line,
            reason=_("line: {loads} loads and {n} readings cannot prove a bend").format(
                loads=loads, n=line.dof + 2
            ),
        )
    curve = fit(counts, masses_kg, 2, u_reference_rel=u_reference_rel)
    bend, u = curve.scaled_coefficients[2], sqrt(curve.scaled_covariance[2][2])
    needed = student_t(curve.dof, EVIDENCE_PERCENT)
    said = _("the bend is {bend_g} g, u {u_g} g, {dof} degrees of freedom").format(
        bend_g=number(abs(bend) * 1000.0, ".3g"), u_g=number(u * 1000.0, ".2g"), dof=curve.dof
    )
    if abs(bend) > needed * u:
        return replace(
            curve,
            reason=_("quadratic: {said}; beyond {needed} u, so real at {percent} %").format(
                said=said, needed=number(needed, ".2f"), percent=EVIDENCE_PERCENT
            ),
        )
    return replace(
        line,
        reason=_("line: {said}; within {needed} u, so not proved at {percent} %").format(
            said=said, needed=number(needed, ".2f"), percent=EVIDENCE_PERCENT
        ),
    )


def _require_line(line: LoadCellFit, counts: npt.ArrayLike, masses_kg: npt.ArrayLike) -> None:
    """Refuse readings far from their line, naming the one without which the others fit best. Raises ValueError, else returns."""
    x, y = np.asarray(counts, dtype=float), np.asarray(masses_kg, dtype=float)
    if line.residual_sd_kg <= SLIP * float(y.max()):
        return

    def rest_kg2(i: int) -> float:
        a, b = np.delete(x, i), np.delete(y, i)
        a, b = a - a.mean(), b - b.mean()
        return float(b @ b - (a @ b) ** 2 / (a @ a)) if a @ a else float(b @ b)

    worst = min(range(x.size), key=rest_kg2)
    raise ValueError(
        _(
            "the readings do not lie on a line; without {load_kg} kg at {count} counts the others come nearest to one. Another load was on the pan, or it was not at rest. Strike that reading and read the load again."
        ).format(load_kg=number(y[worst], "g"), count=number(x[worst], ".0f"))
    )


def require_span(masses_kg: npt.ArrayLike, use_from_kg: float, use_to_kg: float) -> None:
    """Refuse known masses that do not span the use (see calibrate). Raises ValueError, else returns."""
    if not use_from_kg < use_to_kg:
        raise ValueError(
            _("use is {use_from_kg} kg to {use_to_kg} kg, expected the second to be larger.").format(
                use_from_kg=number(use_from_kg, "g"), use_to_kg=number(use_to_kg, "g")
            )
        )
    loads = np.unique(np.asarray(masses_kg, dtype=float))
    if loads.size < SMALLEST_NUMBER_OF_LOADS:
        raise ValueError(
            _(
                "{n} different loads, expected at least {least} (the empty pan is one). Combine the weights you have, or add a jug of water."
            ).format(n=loads.size, least=SMALLEST_NUMBER_OF_LOADS)
        )
    if loads[0] > use_from_kg or loads[-1] < use_to_kg:
        raise ValueError(
            _(
                "known masses go from {least_kg} kg to {most_kg} kg, expected them to span the use, {use_from_kg} kg to {use_to_kg} kg. Add weights or a jug of water, or state a smaller use."
            ).format(
                least_kg=number(loads[0], "g"),
                most_kg=number(loads[-1], "g"),
                use_from_kg=number(use_from_kg, "g"),
                use_to_kg=number(use_to_kg, "g"),
            )
        )
    inside = np.unique(np.clip(loads, use_from_kg, use_to_kg))
    gap, at = max(zip(np.diff(inside), inside[:-1], strict=True))
    if gap > LARGEST_GAP * (use_to_kg - use_from_kg):
        raise ValueError(
            _(
                "no known mass between {from_kg} kg and {to_kg} kg, expected gaps of at most {gap} of the use. Add a mass in between."
            ).format(from_kg=number(at, "g"), to_kg=number(at + gap, "g"), gap=number(LARGEST_GAP, ".0%"))
        )
