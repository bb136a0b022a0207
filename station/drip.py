"""What still drips: a draining film thins as one over the square root of time.

Source: H. Jeffreys, "The draining of a vertical plate", Proc. Camb. Phil. Soc. 26 (1930) 204: the film is
√(ν z / g t) thick, so what has left a wall approaches its end as M∞ − a·t^(−1/2).
"""

import math
from dataclasses import dataclass, replace

BLOCK_S = 2.0
HORIZON_S = 1800.0
"""How far ahead "still to come" looks. Half an hour is as long as anybody waits."""

_FORGET_S = 400.0
_MODEL_U = 0.10
"""The law is for one wall of one temperature. An axle is many, cooling: a share of the forecast stays in doubt."""


@dataclass(frozen=True)
class DripFit:
    """Weighted sums of mass over x = (t − t0)^(−1/2), old blocks forgotten slowly. t0_s: end of bulk flow."""

    t0_s: float
    block_t_s: float
    n: int = 0
    w: float = 0.0
    wx: float = 0.0
    wm: float = 0.0
    wxx: float = 0.0
    wxm: float = 0.0


def start(t0_s: float) -> DripFit:
    return DripFit(t0_s, t0_s)


def add(fit: DripFit, t_s: float, median_kg: float) -> DripFit:
    """Take in the pan's median once every BLOCK_S."""
    age_s = t_s - fit.t0_s
    if t_s - fit.block_t_s < BLOCK_S or age_s < 5.0:
        return fit
    keep = math.exp(-(t_s - fit.block_t_s) / _FORGET_S)
    x = 1.0 / math.sqrt(age_s)
    return replace(
        fit,
        block_t_s=t_s,
        n=fit.n + 1,
        w=fit.w * keep + 1.0,
        wx=fit.wx * keep + x,
        wm=fit.wm * keep + median_kg,
        wxx=fit.wxx * keep + x * x,
        wxm=fit.wxm * keep + x * median_kg,
    )


@dataclass(frozen=True)
class DripForecast:
    """still_to_come_kg: what the next HORIZON_S bring. wait_s: until waiting no longer pays; 0 when it does not."""

    still_to_come_kg: float
    u_kg: float
    wait_s: float


def forecast(fit: DripFit | None, t_s: float, noise_kg: float, worth_kg: float) -> DripForecast | None:
    """Look ahead from t_s. worth_kg: the mass below which a further half hour is not worth waiting for.

    None until half a minute of drip has been seen.
    """
    if fit is None or fit.n < 15:
        return None
    sxx = fit.wxx - fit.wx**2 / fit.w
    if sxx <= 0:
        return None
    a = max(0.0, -(fit.wxm - fit.wx * fit.wm / fit.w) / sxx)
    u_a = noise_kg / math.sqrt(sxx)

    def gain(age_s: float) -> float:
        return 1.0 / math.sqrt(age_s) - 1.0 / math.sqrt(age_s + HORIZON_S)

    age_s = t_s - fit.t0_s
    ahead = gain(age_s)
    wait_s = 0.0
    if a * ahead > worth_kg:
        low, high = age_s, age_s + 86400.0
        while high - low > 1.0:
            middle = 0.5 * (low + high)
            low, high = (middle, high) if a * gain(middle) > worth_kg else (low, middle)
        wait_s = high - age_s
    return DripForecast(a * ahead, math.hypot(u_a * ahead, _MODEL_U * a * ahead), wait_s)
