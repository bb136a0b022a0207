"""What still drips: a draining film thins as one over the square root of time.

Source: H. Jeffreys, "The draining of a vertical plate", Proc. Camb. Phil. Soc. 26 (1930) 204: the film is
√(ν z / g t) thick, so what has left a wall approaches its end as M∞ − a·t^(−1/2).
"""

import math
from dataclasses import dataclass

from station.evolve import evolve

BLOCK_S = 2.0
HORIZON_S = 1800.0
"""How far ahead "still to come" looks. Half an hour is as long as anybody waits."""
PENDING_BLOCKS = 10
"""Blocks wait this long before they join the fit, so that what is not drip can be seen before it spoils it."""
TELLS_S = 45.0
"""Before this age a gush is the bulk's own end; after it, it needs an explanation."""
UNEXPLAINED_KG = 0.005

_FORGET_S = 400.0
_MODEL_U = 0.10
"""The law is for one wall of one temperature. An axle is many, cooling: a share of the forecast stays in doubt."""

Block = tuple[float, float]


@dataclass(frozen=True)
class DripFit:
    """Weighted sums of mass over x = (t − t0)^(−1/2), old blocks forgotten slowly. t0_s: end of bulk flow.

    pending: the newest blocks (t_s, kg), not in the sums yet.
    """

    t0_s: float
    block_t_s: float
    kg0: float = 0.0
    n: int = 0
    w: float = 0.0
    wx: float = 0.0
    wm: float = 0.0
    wxx: float = 0.0
    wxm: float = 0.0
    pending: tuple[Block, ...] = ()

    @property
    def sxx(self) -> float:
        return self.wxx - self.wx**2 / self.w if self.w > 0 else 0.0

    @property
    def a(self) -> float:
        """kg·√s, never below zero: a drip does not run upwards."""
        return max(0.0, -(self.wxm - self.wx * self.wm / self.w) / self.sxx) if self.sxx > 0 else 0.0


def start(t0_s: float) -> DripFit:
    return DripFit(t0_s, t0_s)


def add(fit: DripFit, t_s: float, median_kg: float) -> DripFit:
    """Take in the pan's median once every BLOCK_S."""
    if t_s - fit.block_t_s < BLOCK_S or t_s - fit.t0_s < 5.0:
        return fit
    pending = (*fit.pending, (t_s, median_kg))
    fit = evolve(fit, block_t_s=t_s, pending=pending)
    return _take_oldest(fit) if len(pending) > PENDING_BLOCKS else fit


def _take_oldest(fit: DripFit) -> DripFit:
    (t_s, kg), pending = fit.pending[0], fit.pending[1:]
    keep = math.exp(-(pending[0][0] - t_s) / _FORGET_S) if pending else 1.0
    x = 1.0 / math.sqrt(t_s - fit.t0_s)
    kg0 = fit.kg0 if fit.n else kg
    m = kg - kg0
    return evolve(
        fit,
        kg0=kg0,
        n=fit.n + 1,
        w=fit.w * keep + 1.0,
        wx=fit.wx * keep + x,
        wm=fit.wm * keep + m,
        wxx=fit.wxx * keep + x * x,
        wxm=fit.wxm * keep + x * m,
        pending=pending,
    )


def unexplained(fit: DripFit) -> Block | None:
    """Where the pending blocks left the drip's curve upwards, if they did: the last block still on it."""
    if fit.n < 8 or len(fit.pending) < 4 or fit.pending[-1][0] - fit.t0_s < TELLS_S:
        return None
    t1_s, kg1 = fit.pending[0]

    def excess(block: Block) -> tuple[float, float]:
        t_s, kg = block
        drip = fit.a * (1.0 / math.sqrt(t1_s - fit.t0_s) - 1.0 / math.sqrt(t_s - fit.t0_s))
        return kg - kg1 - drip, drip

    over, drip = excess(fit.pending[-1])
    if over < UNEXPLAINED_KG + 0.5 * drip:
        return None
    on = fit.pending[0]
    for block in fit.pending:
        if excess(block)[0] > 0.1 * over:
            break
        on = block
    return on


def rate_kg_s(fit: DripFit, t_s: float) -> float:
    """How fast it drips."""
    return 0.5 * fit.a * (t_s - fit.t0_s) ** -1.5


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
    if fit is None or fit.n + len(fit.pending) < 15:
        return None
    while fit.pending:
        fit = _take_oldest(fit)
    if fit.sxx <= 0:
        return None
    a, u_a, t0_s = fit.a, noise_kg / math.sqrt(fit.sxx), fit.t0_s

    def gain(age_s: float) -> float:
        return 1.0 / math.sqrt(age_s) - 1.0 / math.sqrt(age_s + HORIZON_S)

    age_s = t_s - t0_s
    ahead = gain(age_s)
    wait_s = 0.0
    if a * ahead > worth_kg:
        low, high = age_s, age_s + 86400.0
        while high - low > 1.0:
            middle = 0.5 * (low + high)
            low, high = (middle, high) if a * gain(middle) > worth_kg else (low, middle)
        wait_s = high - age_s
    return DripForecast(a * ahead, math.hypot(u_a * ahead, _MODEL_U * a * ahead), wait_s)
