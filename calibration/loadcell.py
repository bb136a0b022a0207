"""From known masses on the pan to the line that turns counts into kilograms.

Least squares of mass on counts, by QR on scaled counts: a 24-bit count squared against a residual of
milligrams would lose its digits in the normal equations. Masses are taken as the exact side and counts
as quiet (the noise of an averaged reading is a few millionths of the span), so the bias of regressing on
the noisy variable, of the order of the square of that ratio, is far below a double's use here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calibration.ranges import FloatArray, FloatOrArray, as_result


@dataclass(frozen=True, eq=False)
class LoadCellFit:
    """mass = sum b_i counts^i with the covariance of the b_i.

    coefficients: b_0, b_1, ... in kg per count^i, lowest power first; shape (degree + 1,).
    covariance: shape (degree + 1, degree + 1). residual_sd_kg: standard deviation of the residuals,
    `dof` degrees of freedom. counts_low, counts_high: the span that was calibrated.
    """

    coefficients: FloatArray
    covariance: FloatArray
    residual_sd_kg: float
    dof: int
    counts_low: float
    counts_high: float
    centre: float
    scale: float
    scaled_coefficients: FloatArray
    scaled_covariance: FloatArray

    @property
    def degree(self) -> int:
        return len(self.coefficients) - 1

    def mass_kg(self, counts: FloatOrArray | npt.ArrayLike) -> FloatOrArray:
        """Indicated mass in kg for counts; scalar or array, the same shape back."""
        x = (np.asarray(counts, dtype=float) - self.centre) / self.scale
        b = self.scaled_coefficients
        mass = b[0] + x * b[1] if self.degree == 1 else b[0] + x * (b[1] + x * b[2])
        return as_result(mass)

    def u_mass_kg(self, counts: FloatOrArray | npt.ArrayLike) -> FloatOrArray:
        """Standard uncertainty in kg that the fit's parameters give to mass_kg (JCGM 100, H.3).

        Noise, creep and resolution of the reading itself are separate terms of the budget.
        """
        x = (np.asarray(counts, dtype=float) - self.centre) / self.scale
        g = np.stack([x**i for i in range(len(self.coefficients))], axis=-1)
        return as_result(np.sqrt(np.einsum("...i,ij,...j->...", g, self.scaled_covariance, g)))


def fit(counts: npt.ArrayLike, masses_kg: npt.ArrayLike, degree: int = 1) -> LoadCellFit:
    """Fit a line (degree 1) or a quadratic (degree 2) through counts and known masses.

    counts, masses_kg: shape (n,), n >= degree + 2, so that a residual remains to judge the fit by.
    Raises ValueError for other degrees, shapes, values that are not finite, or too few distinct counts.
    """
    x, y = np.asarray(counts, dtype=float), np.asarray(masses_kg, dtype=float)
    if degree not in (1, 2):
        raise ValueError(f"degree is {degree!r}, expected 1 (a line) or 2 (a quadratic).")
    if x.ndim != 1 or x.shape != y.shape:
        raise ValueError(f"counts {x.shape} and masses {y.shape} differ, expected two lists of equal length.")
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise ValueError("counts or masses hold a value that is not finite. Repeat that reading.")
    if x.size < degree + 2 or np.unique(x).size < degree + 1:
        raise ValueError(
            f"{x.size} readings at {np.unique(x).size} different counts, expected at least {degree + 2} "
            f"readings at {degree + 1} different loads. Add known masses."
        )
    centre = float(x.mean())
    scale = float(np.ptp(x)) / 2.0
    design = np.vander((x - centre) / scale, degree + 1, increasing=True)
    q, r = np.linalg.qr(design)
    b = np.linalg.solve(r, q.T @ y)
    residuals = y - design @ b
    dof = x.size - degree - 1
    variance = float(residuals @ residuals) / dof
    r_inverse = np.linalg.inv(r)
    c = variance * (r_inverse @ r_inverse.T)
    back = _to_raw(degree, centre, scale)
    return LoadCellFit(
        coefficients=back @ b,
        covariance=back @ c @ back.T,
        residual_sd_kg=variance**0.5,
        dof=dof,
        counts_low=float(x.min()),
        counts_high=float(x.max()),
        centre=centre,
        scale=scale,
        scaled_coefficients=b,
        scaled_covariance=c,
    )


def _to_raw(degree: int, centre: float, scale: float) -> FloatArray:
    """Matrix that turns coefficients of ((x - centre)/scale)^i into those of x^i."""
    m = np.zeros((degree + 1, degree + 1))
    power = np.array([1.0])
    for i in range(degree + 1):
        m[: i + 1, i] = power
        power = np.convolve(power, [-centre / scale, 1.0 / scale])
    return m
