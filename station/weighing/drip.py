"""What still drips: a draining film thins as one over the square root of time.

Source: H. Jeffreys, "The draining of a vertical plate", Proc. Camb. Phil. Soc. 26 (1930) 204: the film is
√(ν z / g t) thick, so what has left a wall approaches its end as M∞ − a·t^(−1/2).
"""

import math
from dataclasses import dataclass
from itertools import combinations, pairwise

from station.common.evolve import evolve
from station.weighing.limits import LIMITS

Block = tuple[float, float]


@dataclass(frozen=True)
class Line:
    """Weighted sums over x = (t − t0 + origin_s)^(−1/2), of this stretch, and about their means of earlier ones."""

    origin_s: float
    x: float = 0.0
    xx: float = 0.0
    xm: float = 0.0
    past_xx: float = 0.0
    past_xm: float = 0.0


@dataclass(frozen=True)
class DripFit:
    """The same blocks against several origins, old ones forgotten slowly. t0_s: end of bulk flow.

    Each stretch between two steps has a level of its own, for no step is taken out to the gram. n, w, m, mm: of the
    present stretch; past_n, past_w, past_mm: of earlier ones, about their means. breaks: when steps came
    that no sum has reached; broken_t_s: when the last was over.
    pending: the newest blocks (t_s, kg), not in the sums yet. kg0: taken off every mass, for the sums' sake.
    """

    t0_s: float
    block_t_s: float
    kg0: float = 0.0
    n: int = 0
    w: float = 0.0
    m: float = 0.0
    mm: float = 0.0
    past_n: int = 0
    past_w: float = 0.0
    past_mm: float = 0.0
    breaks: tuple[float, ...] = ()
    broken_t_s: float = -math.inf
    lines: tuple[Line, ...] = tuple(Line(origin_s) for origin_s in LIMITS.origins_s)
    pending: tuple[Block, ...] = ()


@dataclass(frozen=True)
class Curve:
    """One origin's share of the answer: mass still to leave at t is a / √(t − t0 + origin_s)."""

    origin_s: float
    a: float
    u_a: float
    weight: float

    def share(self, age_s: float) -> float:
        return 1.0 / math.sqrt(age_s + self.origin_s)

    def left(self, age_s: float) -> float:
        return self.a * self.share(age_s)


def start(t0_s: float) -> DripFit:
    return DripFit(t0_s, t0_s)


def add(fit: DripFit, t_s: float, median_kg: float) -> DripFit:
    """Take in the pan's median once every ``drip_block_s``."""
    if t_s - fit.block_t_s < LIMITS.drip_block_s or t_s - fit.t0_s < LIMITS.stream_s:
        return fit
    if t_s - fit.broken_t_s < LIMITS.settles_s:
        return fit
    pending = (*fit.pending, (t_s, median_kg))
    fit = evolve(fit, block_t_s=t_s, pending=pending)
    return _take_oldest(fit) if len(pending) > LIMITS.pending_blocks else fit


def break_off(fit: DripFit, from_s: float, to_s: float) -> DripFit:
    """Something came or went: what follows is joined to what was before by its slope alone."""
    return evolve(fit, breaks=(*fit.breaks, from_s)[-LIMITS.pending_blocks :], broken_t_s=to_s)


def _new_stretch(fit: DripFit) -> DripFit:
    if not fit.n:
        return fit
    lines = tuple(
        Line(
            line.origin_s,
            past_xx=line.past_xx + line.xx - line.x**2 / fit.w,
            past_xm=line.past_xm + line.xm - line.x * fit.m / fit.w,
        )
        for line in fit.lines
    )
    past_mm = fit.past_mm + fit.mm - fit.m**2 / fit.w
    past_n, past_w = fit.past_n + fit.n, fit.past_w + fit.w
    return evolve(fit, n=0, w=0.0, m=0.0, mm=0.0, past_n=past_n, past_w=past_w, past_mm=past_mm, lines=lines)


def _take_oldest(fit: DripFit) -> DripFit:
    (t_s, kg), pending = fit.pending[0], fit.pending[1:]
    breaks = tuple(b for b in fit.breaks if b >= t_s)
    if len(breaks) < len(fit.breaks):
        fit = _new_stretch(fit)
    keep = math.exp(-(pending[0][0] - t_s) / LIMITS.forget_s) if pending else 1.0
    kg0 = fit.kg0 if fit.n else kg
    m = kg - kg0
    lines = []
    for line in fit.lines:
        x = 1.0 / math.sqrt(t_s - fit.t0_s + line.origin_s)
        sums = (line.x * keep + x, line.xx * keep + x * x, line.xm * keep + x * m)
        lines.append(Line(line.origin_s, *sums, line.past_xx * keep, line.past_xm * keep))
    return evolve(
        fit,
        kg0=kg0,
        n=fit.n + 1,
        w=fit.w * keep + 1.0,
        m=fit.m * keep + m,
        mm=fit.mm * keep + m * m,
        past_w=fit.past_w * keep,
        past_mm=fit.past_mm * keep,
        breaks=breaks,
        lines=tuple(lines),
        pending=pending,
    )


def curves(fit: DripFit, noise_kg: float) -> list[Curve]:
    """What the blocks say under each origin, weighted by how well they lie on it. No a is below zero.

    noise_kg: of one block. A real drip lies on none of the curves exactly, so that the best one's own misfit is the
    yardstick where it is larger.
    """
    if fit.n + fit.past_n < 3:
        return []
    smm = fit.past_mm + (fit.mm - fit.m**2 / fit.w if fit.n else 0.0)
    found = []
    for line in fit.lines:
        sxx = line.past_xx + (line.xx - line.x**2 / fit.w if fit.n else 0.0)
        sxm = line.past_xm + (line.xm - line.x * fit.m / fit.w if fit.n else 0.0)
        if sxx > 0:
            found.append((line.origin_s, max(0.0, -sxm / sxx), sxx, max(0.0, smm - min(0.0, sxm) ** 2 / sxx)))
    if not found:
        return []
    best = min(rss for *_, rss in found)
    sigma = max(noise_kg, math.sqrt(best / (fit.w + fit.past_w)))
    weights = [math.exp(-0.5 * (rss - best) / sigma**2 / LIMITS.misfit_runs) for *_, rss in found]
    total = sum(weights)
    return [
        Curve(origin_s, a, sigma / math.sqrt(sxx), weight / total)
        for (origin_s, a, sxx, _), weight in zip(found, weights, strict=True)
    ]


def unexplained(fit: DripFit, noise_kg: float) -> Block | None:
    """Where the pending blocks left the drip's curve upwards, if they did: the last block still on it."""
    if fit.n + fit.past_n < 5 or len(fit.pending) < 4 or fit.pending[-1][0] - fit.t0_s < LIMITS.tells_s:
        return None
    kg1 = fit.pending[0][1]
    over = _over(fit, noise_kg)
    drip_kg = fit.pending[-1][1] - kg1 - over[-1]
    middle_kg = fit.pending[len(fit.pending) // 2][1]
    first_kg, second_kg = middle_kg - kg1, fit.pending[-1][1] - middle_kg
    # More than the curve allows is not enough, for the curve may be a poor one yet: the flow must have grown.
    if over[-1] < LIMITS.unexplained_kg + 0.5 * drip_kg or second_kg < LIMITS.grown * first_kg + 0.002:
        return None
    # Nor is it solvent where one gulp makes it up.
    i, j = _steepest(fit.pending, over)
    if over[-1] - (over[j] - over[i]) < LIMITS.unexplained_kg + 0.5 * drip_kg:
        return None
    on = fit.pending[0]
    for block, kg in zip(fit.pending, over, strict=True):
        if kg > 0.1 * over[-1]:
            break
        on = block
    return on


def _over(fit: DripFit, noise_kg: float) -> list[float]:
    """What each pending block has above the drip's curve, kg, all of them against the oldest."""
    known, (t1_s, kg1) = curves(fit, noise_kg), fit.pending[0]
    return [kg - kg1 - _gained(known, t1_s - fit.t0_s, t_s - fit.t0_s) for t_s, kg in fit.pending]


def _gained(known: list[Curve], from_age_s: float, to_age_s: float) -> float:
    return sum(c.weight * (c.left(from_age_s) - c.left(to_age_s)) for c in known)


def _steepest(blocks: tuple[Block, ...], over: list[float]) -> tuple[int, int]:
    """Between which two blocks most came within a gulp's time."""
    gaps_s = sorted(b[0] - a[0] for a, b in pairwise(blocks))
    reach_s = LIMITS.gulp_s + gaps_s[len(gaps_s) // 2]
    near = [(i, j) for i, j in combinations(range(len(blocks)), 2) if blocks[j][0] - blocks[i][0] <= reach_s]
    return max(near, key=lambda pair: over[pair[1]] - over[pair[0]])


@dataclass(frozen=True)
class Gulp:
    """kg that came after from_s, over at to_s, and no flow before or after it that a drip has not."""

    from_s: float
    to_s: float
    kg: float


def gulp(fit: DripFit, noise_kg: float) -> Gulp | None:
    """A gulp among the pending blocks that the pan let pass as a flow; None until it is over."""
    if (
        fit.n + fit.past_n < 5
        or len(fit.pending) < LIMITS.pending_blocks
        or fit.pending[-1][0] - fit.t0_s < LIMITS.tells_s
    ):
        return None
    over = _over(fit, noise_kg)
    i, j = _steepest(fit.pending, over)
    kg = over[j] - over[i]
    beside_kg = max(abs(over[i] - over[0]), abs(over[-1] - over[j]))
    if (
        kg < LIMITS.unexplained_kg
        or beside_kg > LIMITS.beside * kg
        or len(fit.pending) - j < LIMITS.after_blocks
    ):
        return None
    return Gulp(fit.pending[i][0], fit.pending[j][0], kg)


def _unsuspected(fit: DripFit, noise_kg: float) -> DripFit:
    """Without the newest blocks where much came at once among them: what it was is not known yet."""
    if fit.n + fit.past_n < 5 or len(fit.pending) < 2 or fit.pending[-1][0] - fit.t0_s < LIMITS.tells_s:
        return fit
    over = _over(fit, noise_kg)
    i, j = _steepest(fit.pending, over)
    drip_kg = fit.pending[j][1] - fit.pending[i][1] - (over[j] - over[i])
    return cut(fit, fit.pending[i][0]) if over[j] - over[i] > LIMITS.unexplained_kg + 0.5 * drip_kg else fit


def take_out(fit: DripFit, found: Gulp) -> DripFit:
    """Go on as if a gulp had not come."""
    kept = [b for b in fit.pending if b[0] <= found.from_s or b[0] >= found.to_s]
    pending = tuple((t_s, kg - found.kg if t_s >= found.to_s else kg) for t_s, kg in kept)
    return break_off(evolve(fit, pending=pending), found.from_s, found.to_s)


def cut(fit: DripFit, t_s: float) -> DripFit:
    """Without what came after t_s."""
    return evolve(fit, pending=tuple(b for b in fit.pending if b[0] <= t_s))


def gained_kg(fit: DripFit, from_s: float, to_s: float, noise_kg: float) -> float:
    """What the curves let drip between two moments."""
    return _gained(curves(fit, noise_kg), from_s - fit.t0_s, to_s - fit.t0_s)


def rate_kg_s(fit: DripFit, t_s: float, noise_kg: float) -> float:
    """How fast it drips."""
    age_s = t_s - fit.t0_s
    return sum(0.5 * c.weight * c.left(age_s) / (age_s + c.origin_s) for c in curves(fit, noise_kg))


def _all_known(fit: DripFit | None, noise_kg: float) -> list[Curve]:
    """What all blocks say, the newest included but for those that may be no drip; nothing before half a minute."""
    if fit is None or fit.n + fit.past_n + len(fit.pending) < 15:
        return []
    fit = _unsuspected(fit, noise_kg)
    while fit.pending:
        fit = _take_oldest(fit)
    return curves(fit, noise_kg)


def inside(fit: DripFit | None, t_s: float, noise_kg: float) -> tuple[float, float] | None:
    """(film still inside at t_s, its standard uncertainty), kg: all that the curves would let out in the end.

    None until half a minute of drip has been seen.
    """
    known = _all_known(fit, noise_kg)
    if fit is None or not known:
        return None
    age_s = max(0.0, t_s - fit.t0_s)
    left = sum(c.weight * c.left(age_s) for c in known)
    spread = sum(c.weight * (c.left(age_s) - left) ** 2 for c in known)
    u_read = sum(c.weight * c.u_a * c.share(age_s) for c in known)
    return left, math.sqrt(spread + u_read**2 + (LIMITS.floor_u * left) ** 2)


@dataclass(frozen=True)
class DripForecast:
    """still_to_come_kg: what the next ``horizon_s`` bring. wait_s: until waiting no longer pays; 0 when it does not."""

    still_to_come_kg: float
    u_kg: float
    wait_s: float


def forecast(fit: DripFit | None, t_s: float, noise_kg: float, worth_kg: float) -> DripForecast | None:
    """Look ahead from t_s. worth_kg: the mass below which a further half hour is not worth waiting for.

    None until half a minute of drip has been seen.
    """
    known = _all_known(fit, noise_kg)
    if fit is None or not known:
        return None

    def gain(age_s: float) -> float:
        return sum(c.weight * (c.left(age_s) - c.left(age_s + LIMITS.horizon_s)) for c in known)

    age_s = t_s - fit.t0_s
    ahead = gain(age_s)
    each = [(c, c.left(age_s) - c.left(age_s + LIMITS.horizon_s)) for c in known]
    spread = sum(c.weight * (kg - ahead) ** 2 for c, kg in each)
    u_read = sum(c.weight * c.u_a * (c.share(age_s) - c.share(age_s + LIMITS.horizon_s)) for c in known)
    wait_s = 0.0
    if ahead > worth_kg:
        low, high = age_s, age_s + 86400.0
        while high - low > 1.0:
            middle = 0.5 * (low + high)
            low, high = (middle, high) if gain(middle) > worth_kg else (low, middle)
        wait_s = high - age_s
    return DripForecast(ahead, math.sqrt(spread + u_read**2 + (LIMITS.drip_model_u * ahead) ** 2), wait_s)
