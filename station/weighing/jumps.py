"""What an episode on the pan came to: measured as a step between two lines, or as no step at all."""

import math
from dataclasses import dataclass

from station.weighing.limits import LIMITS
from station.weighing.lines import Block, Line, fit_line


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


def tail_length(calm: tuple[Block, ...]) -> int:
    dt_s = (calm[-1][0] - calm[0][0]) / (len(calm) - 1)
    return max(
        LIMITS.tail_blocks[0],
        min(LIMITS.tail_blocks[1], round(LIMITS.tail_s / dt_s) if dt_s > 0 else LIMITS.tail_blocks[1]),
    )


def judge(
    calm: tuple[Block, ...], episode: tuple[Block, ...], struck: bool, before: Line, sigma_kg: float
) -> Jump | None:
    """The jump of an episode, once its end is calm again or it has lasted too long to wait.

    calm: the blocks before it; before: the line through them. struck: it began with a blow.
    """
    n = tail_length(calm)
    tail = episode[-n:]
    if len(episode) < n or (struck and tail[0][0] - episode[0][0] < LIMITS.rings_s):
        return None
    after = fit_line(tail)
    late = episode[-1][0] - episode[0][0] > LIMITS.episode_s and len(episode) >= 2 * n
    over = _over_late(episode, n, before, after, sigma_kg) if late else _over(before, after, sigma_kg)
    return _measure(calm, episode, struck, before, after, tail[0][0], sigma_kg, late) if over else None


def _over(before: Line, after: Line, sigma_kg: float) -> bool:
    """Whether a short episode has ended: its last second lies on a line."""
    if after.sigma_kg > LIMITS.straight * sigma_kg:
        return False
    # A gulp's end looks straight for a second; a new stream may wait to be named.
    dies_away = abs(after.slope_kg_s - before.slope_kg_s) > LIMITS.significant * after.u_slope(sigma_kg)
    return not (dies_away and abs(before.slope_kg_s) < LIMITS.drip_kg_s)


def _over_late(episode: tuple[Block, ...], n: int, before: Line, after: Line, sigma_kg: float) -> bool:
    """Whether an episode that has lasted long is to be judged now."""
    if episode[-1][0] - episode[0][0] > LIMITS.longest_episode_s:
        return True
    return _settled(before, after, fit_line(episode[-2 * n : -n]), sigma_kg)


def _measure(
    calm: tuple[Block, ...],
    episode: tuple[Block, ...],
    struck: bool,
    before: Line,
    after: Line,
    to_s: float,
    sigma_kg: float,
    late: bool,
) -> Jump:
    """The step between the two lines that the flow on either side does not explain, with its uncertainty."""
    sigma_after = max(sigma_kg, after.sigma_kg)
    from_s = calm[-1][0]
    between_s = to_s - from_s
    flows = (before.slope_kg_s, after.slope_kg_s)
    u_lines = math.hypot(before.u_at(from_s, sigma_kg), after.u_at(to_s, sigma_after))
    explained = 0.5 * (flows[0] + flows[1]) * between_s
    leeway = 0.5 * abs(flows[1] - flows[0]) * (between_s + LIMITS.corner_s)
    step = after.at(to_s) - before.at(from_s) - explained
    if late:  # the flow changed while hands or tools shook the pan, a stream more than a drip
        most = max(map(abs, flows))
        leeway += (0.5 if most > 1e-3 else 0.15) * most * between_s
    starts = abs(flows[0]) < LIMITS.drip_kg_s < flows[1] and leeway > LIMITS.sudden_kg
    within = _sudden((*calm[-2 * LIMITS.side_blocks :], *episode), sigma_after) if starts else None
    if within is not None and abs(step - within[0]) > leeway + LIMITS.significant * (u_lines + within[1]):
        # it came and went again, or was a knock; but where nothing came as quickly, what went had lain there before
        within = within if _only_went((calm[-1], *episode), within[0]) else None
    seen = step
    if within is None and abs(step) - leeway <= max(LIMITS.significant * u_lines, LIMITS.step_kg):
        step = 0.0
    low, high, rise_s = _shape(episode, before, step, flows, from_s)
    u_kg = math.hypot(LIMITS.correlated * u_lines, leeway / math.sqrt(3.0), LIMITS.rings * step)
    if within is not None and LIMITS.correlated * within[1] < u_kg:
        step, rise_s = within[0], within[2]
        u_kg = math.hypot(LIMITS.correlated * within[1], LIMITS.rings * step)
    return Jump(
        t_s=episode[0][0],
        end_t_s=episode[-1][0],
        kg=step,
        u_kg=u_kg,
        rise_s=rise_s,
        swing_kg=min(-low, high),
        flow_kg_s=max(flows),
        hidden_kg=0.5 * abs(seen) if struck and step == 0.0 else 0.0,
        before_kg=before.at(from_s),
        after_kg=after.at(to_s),
    )


def _settled(before: Line, after: Line, earlier: Line, sigma_kg: float) -> bool:
    """Whether an episode that has lasted long ends in a new flow, and not in the midst of hands or tools."""
    if not LIMITS.least_kg_s <= after.slope_kg_s <= LIMITS.most_kg_s:
        return False
    if after.sigma_kg > LIMITS.straight * max(sigma_kg, earlier.sigma_kg):
        return False
    change = abs(after.slope_kg_s - before.slope_kg_s)
    return after.sigma_kg <= LIMITS.straight * sigma_kg or change > LIMITS.significant * after.u_slope(
        after.sigma_kg
    )


def _sudden(blocks: tuple[Block, ...], sigma_kg: float) -> tuple[float, float, float] | None:
    """The surest step of a hand's quickness: kg, its standard uncertainty and how long it took, s. None if unsure."""
    dt_s = (blocks[-1][0] - blocks[0][0]) / (len(blocks) - 1)
    gap = max(1, round(LIMITS.sudden_gap_s / dt_s))
    best, found = LIMITS.sudden_sure, None
    for i in range(LIMITS.side_blocks, len(blocks) - LIMITS.side_blocks - gap + 1):
        left, right = (
            fit_line(blocks[i - LIMITS.side_blocks : i]),
            fit_line(blocks[i + gap : i + gap + LIMITS.side_blocks]),
        )
        flows = (left.slope_kg_s, right.slope_kg_s)
        if min(flows) < LIMITS.least_kg_s or max(flows) > LIMITS.most_kg_s:
            continue
        from_s, to_s = blocks[i - 1][0], blocks[i + gap][0]
        middle_s, sigma = 0.5 * (from_s + to_s), max(sigma_kg, left.sigma_kg, right.sigma_kg)
        kg = right.at(middle_s) - left.at(middle_s)
        leeway = 0.5 * abs(flows[1] - flows[0]) * (to_s - from_s)
        u_kg = math.hypot(left.u_at(middle_s, sigma), right.u_at(middle_s, sigma), leeway / math.sqrt(3.0))
        sure = (abs(kg) - leeway) / u_kg
        if sure > best and abs(kg) - leeway > LIMITS.sudden_kg:
            best, found = sure, (kg, u_kg, _rise_s(blocks[i - 1 : i + gap + 1], left, kg))
    return found


def _only_went(blocks: tuple[Block, ...], kg: float) -> bool:
    """Whether something left, and nothing like it came within a hand's quickness before or after: no fluid leaves a pan,
    and a stream that begins or ends meanwhile hides how much it brought."""
    if kg > 0:
        return False
    rises = (
        b - a for i, (t, a) in enumerate(blocks) for s, b in blocks[i + 1 :] if s - t <= LIMITS.sudden_gap_s
    )
    return max(rises, default=0.0) < LIMITS.came_share * -kg


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
