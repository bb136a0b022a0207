"""The pan's stream, cut into calm stretches with a straight line each, and jumps between them.

A segmented robust regression, one reading in, a new state out, constant memory. While readings follow the line of
the last three seconds the pan is calm, and they make up its window. A reading off that line opens an episode; the
episode ends when a second's worth of readings lies on a line again. What the two lines and the time between them
cannot explain as flow is a jump: a step of so many grams, a knock where the level came back, or nothing but a new
flow. Whether a jump is taken out is not decided here (station.weighing.steps does that), only measured.
"""

import math
from dataclasses import dataclass

from station.common.evolve import evolve

WINDOW_S = 6.0
SPARSE_POINTS = 5
SPARSE_S = 60.0
"""A recording slower than about one reading a second still gets five points, if they are a minute old at most."""

SATURATED = (8388607, -8388608)
"""The converter's end stops: a count there says "at least", not how much."""

BLOCK_S = 0.075
"""Readings closer together than this are merged into one block by their median (a converter at 80 a second)."""
CALM_S = 3.0
CALM_BLOCKS = (5, 30)
TAIL_S = 1.0
TAIL_BLOCKS = (4, 10)
EPISODE_S = 4.0
SHAKEN_S = 40.0
"""An episode without a straight end is judged all the same after so long: no air tool works for longer at a stretch."""
MOST_KG_S, LEAST_KG_S = 0.5, -0.005
"""No fluid comes faster than half a litre in a second, and none leaves the pan but by drying."""
STRAIGHT = 1.6
"""A straight end scatters no more than this many times what came before it."""
SIDE_BLOCKS, SUDDEN_GAP_S = 6, 0.7
SUDDEN_SURE, SUDDEN_KG = 6.0, 0.004
"""Within an episode, a thing shows as a step between two short lines with a hand's quickness between them."""
GAP_S = 1.5
SLOW_S = 0.6
"""Readings further apart than this cannot tell a thing that falls from fluid that flows: all of them are taken."""
OUT = 4.0
LEAD_S = 0.05
"""A block this many standard deviations off the line opens an episode."""
SHOCK_TIMES = 6.0
"""Fluid swings from one reading to the next by little; a change so many times the usual one is a thing that struck."""
SIGNIFICANT = 4.0
CORRELATED = 2.0
"""Fluid swings on: neighbouring readings err together, and a line's own scatter promises too much."""
CORNER_S = 0.2
"""Where a flow changes at once, the blocks do not say when to better than this."""
RINGS_S = 0.5
"""What struck rings on: no line is laid through less than this after it."""
RINGS = 0.01
"""What is left of a fall's ring after a second, of the step."""
DRIP_KG_S = 0.0015
"""Anything faster is a stream."""
STEP_KG = 0.001
"""Smaller steps are left in: 1 g is a third of a thousandth of an axle."""

Block = tuple[float, float]


@dataclass(frozen=True)
class Level:
    """An indicated mass at t_s with its standard uncertainty from noise and unrest alone.

    slope_kg_s: how fast it rises; 0 where noise hides it.
    """

    t_s: float
    kg: float
    u_kg: float
    slope_kg_s: float = 0.0


@dataclass(frozen=True)
class Line:
    """kg at t_s and its slope, through n blocks; sigma_kg: their scatter about it."""

    t_s: float
    kg: float
    slope_kg_s: float
    sigma_kg: float
    n: int
    stt: float

    def at(self, t_s: float) -> float:
        return self.kg + self.slope_kg_s * (t_s - self.t_s)

    def u_slope(self, sigma_kg: float) -> float:
        return sigma_kg / math.sqrt(self.stt) if self.stt > 0 else math.inf

    def u_at(self, t_s: float, sigma_kg: float) -> float:
        lever = (t_s - self.t_s) ** 2 / self.stt if self.stt > 0 else 0.0
        return sigma_kg * math.sqrt(1.0 / self.n + lever)


@dataclass(frozen=True)
class Jump:
    """What an episode came to. kg: the step that flow does not explain, 0 where it explains all.

    rise_s: how long the step took from a fifth to four fifths. swing_kg: how far readings
    went beyond the lines, on the side where that was less.
    flow_kg_s: the larger of the flows on either side. hidden_kg: where something struck the pan under a stream and no
    step can be told, half of what may have come. before_kg, after_kg: the levels on either side.
    """

    t_s: float
    end_t_s: float
    kg: float
    u_kg: float
    rise_s: float
    swing_kg: float
    flow_kg_s: float
    before_kg: float
    after_kg: float
    hidden_kg: float = 0.0


@dataclass(frozen=True)
class PanTrack:
    """window: (t_s, kg) of calm blocks, oldest first, without the steps taken out so far (offset_kg).

    median_kg and flow_kg_s are robust and cheap, for display and for the stages. episode: blocks that await
    judgement; struck: it began with a blow, and what rings is not let go for one reading that happens to lie on the
    line. off_kg, change_kg: the last block's distance from the line, and how much that usually changes.
    """

    window: tuple[Block, ...] = ()
    median_kg: float = 0.0
    flow_kg_s: float = 0.0
    offset_kg: float = 0.0
    scatter_kg: float = 0.0
    calm: tuple[Block, ...] = ()
    episode: tuple[Block, ...] = ()
    readings: tuple[Block, ...] = ()
    block_t_s: float = -math.inf
    off_kg: float = 0.0
    change_kg: float = 0.0
    struck: bool = False


def _median(values: list[float]) -> float:
    ordered = sorted(values)
    middle = len(ordered) // 2
    return ordered[middle] if len(ordered) % 2 else 0.5 * (ordered[middle - 1] + ordered[middle])


def fit_line(blocks: tuple[Block, ...]) -> Line:
    """Least squares through at least one block."""
    n = len(blocks)
    mean_t = sum([t for t, _ in blocks]) / n
    mean_kg = sum([kg for _, kg in blocks]) / n
    stt = sum([(t - mean_t) ** 2 for t, _ in blocks])
    slope = sum([(t - mean_t) * (kg - mean_kg) for t, kg in blocks]) / stt if stt > 0 else 0.0
    ss = sum([(kg - mean_kg - slope * (t - mean_t)) ** 2 for t, kg in blocks])
    return Line(mean_t, mean_kg, slope, math.sqrt(ss / (n - 2)) if n > 2 else 0.0, n, stt)


def add(track: PanTrack, t_s: float, indicated_kg: float, noise_kg: float) -> tuple[PanTrack, Jump | None]:
    """Take in one reading. With a jump comes a track that waits for `resume`.

    noise_kg: standard deviation of one reading, the least that is believed.
    """
    readings = (*track.readings, (t_s, indicated_kg))
    if t_s - track.block_t_s < BLOCK_S:
        return evolve(track, readings=readings), None
    if len(readings) > 1:
        t, kg = sum(r[0] for r in readings) / len(readings), _median([r[1] for r in readings])
    else:
        t, kg = readings[0]
    gap_s = t_s - track.block_t_s
    block = (t, kg - track.offset_kg)
    track = evolve(track, readings=(), block_t_s=t_s)
    calm = track.calm
    if len(calm) > 1 and gap_s > max(GAP_S, 5.0 * (calm[-1][0] - calm[0][0]) / (len(calm) - 1)):
        track, calm = evolve(track, calm=(), episode=()), ()
    if len(calm) < CALM_BLOCKS[0]:
        return _accept(track, block, noise_kg), None
    if gap_s > SLOW_S and not track.episode:
        return _accept(track, block, noise_kg), None
    line = fit_line(calm)
    sigma = max(noise_kg, track.scatter_kg)
    off_kg = block[1] - line.at(block[0])
    within = abs(off_kg) <= OUT * sigma + LEAD_S * abs(line.slope_kg_s) + 1e-4
    if not track.episode:
        if within:
            return _accept(track, block, noise_kg, off_kg), None
        usual_kg = max(noise_kg, track.change_kg)
        struck = line.slope_kg_s > DRIP_KG_S and abs(off_kg - track.off_kg) > SHOCK_TIMES * usual_kg
        return evolve(track, episode=(block,), struck=struck), None
    if within and len(track.episode) == 1 and not track.struck:  # one reading alone was off
        return _accept(evolve(track, episode=()), block, noise_kg, off_kg), None
    track = evolve(track, episode=(*track.episode, block))
    return track, _judge(track, line, sigma)


def _accept(track: PanTrack, block: Block, noise_kg: float, off_kg: float | None = None) -> PanTrack:
    """A calm block joins the window."""
    t_s = block[0]
    calm = (*track.calm, block)[-CALM_BLOCKS[1] :]
    first = 0
    while len(calm) - first > CALM_BLOCKS[0] and calm[first][0] < t_s - CALM_S:
        first += 1
    scatter = track.scatter_kg or noise_kg
    if off_kg is not None:
        scatter += (1.25 * abs(off_kg) - scatter) / 20.0
        change_kg = track.change_kg + (abs(off_kg - track.off_kg) - track.change_kg) / 20.0
        track = evolve(track, off_kg=off_kg, change_kg=change_kg)
    return _published(evolve(track, calm=calm[first:], scatter_kg=scatter), block)


def _published(track: PanTrack, *blocks: Block) -> PanTrack:
    window = (*track.window, *blocks)
    t_s = window[-1][0]
    first = 0
    while len(window) - first > SPARSE_POINTS and window[first][0] < t_s - WINDOW_S:
        first += 1
    while window[first][0] < t_s - SPARSE_S:
        first += 1
    window = window[first:]
    masses = [kg for _, kg in window]
    newest = [kg for t, kg in window[-9:] if t > t_s - 1.0]  # of a sparse recording the last one alone
    third = max(1, len(window) // 3)
    dt_s = (t_s + window[-third][0] - window[0][0] - window[third - 1][0]) / 2
    rise = _median(masses[-third:]) - _median(masses[:third])
    flow = rise / dt_s if dt_s > 0 else 0.0
    return evolve(track, window=window, median_kg=_median(newest), flow_kg_s=flow)


def _tail_length(calm: tuple[Block, ...]) -> int:
    dt_s = (calm[-1][0] - calm[0][0]) / (len(calm) - 1)
    return max(TAIL_BLOCKS[0], min(TAIL_BLOCKS[1], round(TAIL_S / dt_s) if dt_s > 0 else TAIL_BLOCKS[1]))


def _judge(track: PanTrack, before: Line, sigma_kg: float) -> Jump | None:
    """The jump of the present episode, once its end is calm again or it has lasted too long to wait."""
    episode, n = track.episode, _tail_length(track.calm)
    tail = episode[-n:]
    if len(episode) < n or (track.struck and tail[0][0] - episode[0][0] < RINGS_S):
        return None
    after = fit_line(tail)
    lasted_s = episode[-1][0] - episode[0][0]
    late = lasted_s > EPISODE_S and len(episode) >= 2 * n
    if (
        late
        and lasted_s <= SHAKEN_S
        and not _settled(before, after, fit_line(episode[-2 * n : -n]), sigma_kg)
    ):
        return None
    if not late and after.sigma_kg > STRAIGHT * sigma_kg:
        return None
    dies_away = abs(after.slope_kg_s - before.slope_kg_s) > SIGNIFICANT * after.u_slope(sigma_kg)
    if not late and dies_away and abs(before.slope_kg_s) < DRIP_KG_S:
        return None  # a gulp's end looks straight for a second; a new stream may wait to be named
    sigma_after = max(sigma_kg, after.sigma_kg)
    from_s, to_s = track.calm[-1][0], tail[0][0]
    between_s = to_s - from_s
    flows = (before.slope_kg_s, after.slope_kg_s)
    u_lines = math.hypot(before.u_at(from_s, sigma_kg), after.u_at(to_s, sigma_after))
    explained = 0.5 * (flows[0] + flows[1]) * between_s
    leeway = 0.5 * abs(flows[1] - flows[0]) * (between_s + CORNER_S)
    step = after.at(to_s) - before.at(from_s) - explained
    if late:  # the flow changed while hands or tools shook the pan, a stream more than a drip
        most = max(map(abs, flows))
        leeway += (0.5 if most > 1e-3 else 0.15) * most * between_s
    starts = abs(flows[0]) < DRIP_KG_S < flows[1] and leeway > SUDDEN_KG
    within = _sudden((*track.calm[-2 * SIDE_BLOCKS :], *episode), sigma_after) if starts else None
    if within is not None and abs(step - within[0]) > leeway + SIGNIFICANT * (u_lines + within[1]):
        within = None  # it came and went again, or was a knock
    seen = step
    if within is None and abs(step) - leeway <= max(SIGNIFICANT * u_lines, STEP_KG):
        step = 0.0
    low, high, rise_s = _shape(episode, before, step, flows, from_s)
    u_kg = math.hypot(CORRELATED * u_lines, leeway / math.sqrt(3.0), RINGS * step)
    if within is not None and CORRELATED * within[1] < u_kg:
        step, rise_s = within[0], within[2]
        u_kg = math.hypot(CORRELATED * within[1], RINGS * step)
    return Jump(
        t_s=episode[0][0],
        end_t_s=episode[-1][0],
        kg=step,
        u_kg=u_kg,
        rise_s=rise_s,
        swing_kg=min(-low, high),
        flow_kg_s=max(flows),
        hidden_kg=0.5 * abs(seen) if track.struck and step == 0.0 else 0.0,
        before_kg=before.at(from_s),
        after_kg=after.at(to_s),
    )


def _settled(before: Line, after: Line, earlier: Line, sigma_kg: float) -> bool:
    """Whether an episode that has lasted long ends in a new flow, and not in the midst of hands or tools."""
    if not LEAST_KG_S <= after.slope_kg_s <= MOST_KG_S:
        return False
    if after.sigma_kg > STRAIGHT * max(sigma_kg, earlier.sigma_kg):
        return False
    change = abs(after.slope_kg_s - before.slope_kg_s)
    return after.sigma_kg <= STRAIGHT * sigma_kg or change > SIGNIFICANT * after.u_slope(after.sigma_kg)


def _sudden(blocks: tuple[Block, ...], sigma_kg: float) -> tuple[float, float, float] | None:
    """The surest step of a hand's quickness: kg, its standard uncertainty and how long it took, s. None if unsure."""
    dt_s = (blocks[-1][0] - blocks[0][0]) / (len(blocks) - 1)
    gap = max(1, round(SUDDEN_GAP_S / dt_s))
    best, found = SUDDEN_SURE, None
    for i in range(SIDE_BLOCKS, len(blocks) - SIDE_BLOCKS - gap + 1):
        left, right = fit_line(blocks[i - SIDE_BLOCKS : i]), fit_line(blocks[i + gap : i + gap + SIDE_BLOCKS])
        flows = (left.slope_kg_s, right.slope_kg_s)
        if min(flows) < LEAST_KG_S or max(flows) > MOST_KG_S:
            continue
        from_s, to_s = blocks[i - 1][0], blocks[i + gap][0]
        middle_s, sigma = 0.5 * (from_s + to_s), max(sigma_kg, left.sigma_kg, right.sigma_kg)
        kg = right.at(middle_s) - left.at(middle_s)
        leeway = 0.5 * abs(flows[1] - flows[0]) * (to_s - from_s)
        u_kg = math.hypot(left.u_at(middle_s, sigma), right.u_at(middle_s, sigma), leeway / math.sqrt(3.0))
        sure = (abs(kg) - leeway) / u_kg
        if sure > best and abs(kg) - leeway > SUDDEN_KG:
            best, found = sure, (kg, u_kg, _rise_s(blocks[i - 1 : i + gap + 1], left, kg))
    return found


def _rise_s(blocks: tuple[Block, ...], left: Line, kg: float) -> float:
    """From a fifth of a step to four fifths of it."""
    shares = [(t_s, (b_kg - left.at(t_s)) / kg) for t_s, b_kg in blocks]
    started_s = max((t_s for t_s, share in shares if share <= 0.2), default=blocks[0][0])
    return (
        min((t_s for t_s, share in shares if share >= 0.8 and t_s > started_s), default=started_s) - started_s
    )


def _shape(
    episode: tuple[Block, ...], before: Line, step_kg: float, flows: tuple[float, float], from_s: float
) -> tuple[float, float, float]:
    """How far below and above both lines the readings went, and how long the step took."""
    low, high = min(0.0, step_kg), max(0.0, step_kg)
    under = over = 0.0
    started_s, done_s = from_s, None
    base = before.at(from_s)
    for t_s, kg in episode:
        gone_s = t_s - from_s
        flowed = (min(flows) * gone_s, max(flows) * gone_s)
        under = min(under, kg - base - max(0.0, flowed[1]) - low)
        over = max(over, kg - base - min(0.0, flowed[0]) - max(0.0, flowed[1]) - high)
        if step_kg and done_s is None:
            share = (kg - base - 0.5 * (flowed[0] + flowed[1])) / step_kg
            if share >= 0.8:
                done_s = t_s
            elif share <= 0.2:
                started_s = t_s
    return under, over, (done_s - started_s) if done_s is not None else 0.0


def resume(track: PanTrack, jump: Jump, taken_out: bool, noise_kg: float) -> PanTrack:
    """Go on after a jump, its step taken out of everything that follows or left in."""
    shift = jump.kg if taken_out else 0.0
    tail = tuple((t, kg - shift) for t, kg in track.episode[-_tail_length(track.calm) :])
    scatter = max(noise_kg, fit_line(tail).sigma_kg)
    track = evolve(track, offset_kg=track.offset_kg + shift, calm=tail, episode=(), scatter_kg=scatter)
    return _published(track, *tail)


def fit_level(window: tuple[tuple[float, float], ...], t_s: float, noise_kg: float) -> Level | None:
    """Indicated mass at t_s: a line through the window, without the readings that a kick threw off.

    A slope that its own uncertainty hides is left out, so that a calm pan gets the smaller u of a mean.
    noise_kg: standard deviation of one reading, the least that is believed. None for an empty window.
    """
    points = list(window)
    if not points:
        return None
    # A resistant first look (Theil 1950, Sen 1968): least squares alone would bend towards what it should reject.
    slopes = [
        (m2 - m1) / (t2 - t1) for i, (t1, m1) in enumerate(points) for t2, m2 in points[i + 1 :] if t2 > t1
    ]
    slope = _median(slopes) if slopes else 0.0
    offset = _median([m - slope * t for t, m in points])
    residuals = [abs(m - offset - slope * t) for t, m in points]
    sigma = max(noise_kg, 1.4826 * _median(residuals))
    points = [p for p, r in zip(points, residuals, strict=True) if r <= 4.0 * sigma]
    n = len(points)
    mean_t = sum(t for t, _ in points) / n
    mean_kg = sum(m for _, m in points) / n
    stt = sum((t - mean_t) ** 2 for t, _ in points)
    slope = sum((t - mean_t) * (m - mean_kg) for t, m in points) / stt if stt > 0 else 0.0
    if abs(slope) <= 2.0 * sigma / math.sqrt(stt) if stt > 0 else True:
        return Level(t_s, mean_kg, sigma / math.sqrt(n))
    ahead_s = t_s - mean_t
    return Level(t_s, mean_kg + slope * ahead_s, sigma * math.sqrt(1.0 / n + ahead_s**2 / stt), slope)
