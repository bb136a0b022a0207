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
from station.weighing.jumps import Jump, judge, tail_length
from station.weighing.limits import LIMITS
from station.weighing.lines import Block, Level, fit_level, fit_line, median

SATURATED = (8388607, -8388608)
"""The converter's end stops: a count there says "at least", not how much."""


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

    @property
    def level_kg(self) -> float | None:
        """The level as it was last calm; None before the first reading."""
        return self.median_kg if self.window else None

    def lost(self, t_s: float) -> bool:
        """Whether the pan was not read any more by then, as its readings came before."""
        if not self.window:
            return True
        spaced_s = (self.window[-1][0] - self.window[0][0]) / max(1, len(self.window) - 1)
        return t_s - self.block_t_s > max(LIMITS.stale_line_s, LIMITS.gap_times * spaced_s)

    def level_at(self, t_s: float, noise_kg: float) -> Level | None:
        """The level at t_s; None before the first reading. Of a pan that was lost it is the last one: nobody saw how its
        flow went on, so that what may have come since is doubt and no fluid."""
        if not self.lost(t_s):
            return fit_level(self.window, t_s, noise_kg)
        read_s = self.window[-1][0] if self.window else t_s
        level = fit_level(self.window, read_s, noise_kg)
        if level is None:
            return None
        came_kg = max(0.0, self.flow_kg_s) * (t_s - read_s)
        return Level(t_s, level.kg, math.hypot(level.u_kg, came_kg))


def add(track: PanTrack, t_s: float, indicated_kg: float, noise_kg: float) -> tuple[PanTrack, Jump | None]:
    """Take in one reading. With a jump comes a track that waits for `resume`.

    noise_kg: standard deviation of one reading, the least that is believed.
    """
    readings = (*track.readings, (t_s, indicated_kg))
    if t_s - track.block_t_s < LIMITS.reading_block_s:
        return evolve(track, readings=readings), None
    gap_s, (t, kg) = t_s - track.block_t_s, _merged(readings)
    block = (t, kg - track.offset_kg)
    track = evolve(track, readings=(), block_t_s=t_s)
    calm = track.calm
    if len(calm) > 1 and gap_s > max(
        LIMITS.stale_line_s, LIMITS.gap_times * (calm[-1][0] - calm[0][0]) / (len(calm) - 1)
    ):
        track, calm = evolve(track, calm=(), episode=()), ()
    if len(calm) < LIMITS.calm_blocks[0] or (gap_s > LIMITS.slow_s and not track.episode):
        return _accept(track, block, noise_kg), None
    line = fit_line(calm)
    sigma = max(noise_kg, track.scatter_kg)
    off_kg = block[1] - line.at(block[0])
    within = abs(off_kg) <= LIMITS.out * sigma + LIMITS.lead_s * abs(line.slope_kg_s) + LIMITS.off_least_kg
    if not track.episode:
        if within:
            return _accept(track, block, noise_kg, off_kg), None
        usual_kg = max(noise_kg, track.change_kg)
        struck = (
            line.slope_kg_s > LIMITS.drip_kg_s and abs(off_kg - track.off_kg) > LIMITS.shock_times * usual_kg
        )
        return evolve(track, episode=(block,), struck=struck), None
    if within and len(track.episode) == 1 and not track.struck:  # one reading alone was off
        return _accept(evolve(track, episode=()), block, noise_kg, off_kg), None
    track = evolve(track, episode=(*track.episode, block))
    return track, judge(track.calm, track.episode, track.struck, line, sigma)


def _merged(readings: tuple[Block, ...]) -> Block:
    """One block of several readings: their mean time and their median."""
    if len(readings) == 1:
        return readings[0]
    return sum(r[0] for r in readings) / len(readings), median([r[1] for r in readings])


def _accept(track: PanTrack, block: Block, noise_kg: float, off_kg: float | None = None) -> PanTrack:
    """A calm block joins the window."""
    t_s = block[0]
    calm = (*track.calm, block)[-LIMITS.calm_blocks[1] :]
    first = 0
    while len(calm) - first > LIMITS.calm_blocks[0] and calm[first][0] < t_s - LIMITS.calm_s:
        first += 1
    window, median_kg, flow_kg_s = _published(track.window, block)
    scatter = track.scatter_kg or noise_kg
    if off_kg is None:
        return evolve(
            track,
            calm=calm[first:],
            scatter_kg=scatter,
            window=window,
            median_kg=median_kg,
            flow_kg_s=flow_kg_s,
        )
    return evolve(
        track,
        calm=calm[first:],
        scatter_kg=scatter + (1.25 * abs(off_kg) - scatter) / LIMITS.scatter_blocks,
        change_kg=track.change_kg + (abs(off_kg - track.off_kg) - track.change_kg) / LIMITS.scatter_blocks,
        off_kg=off_kg,
        window=window,
        median_kg=median_kg,
        flow_kg_s=flow_kg_s,
    )


def _published(window: tuple[Block, ...], *blocks: Block) -> tuple[tuple[Block, ...], float, float]:
    """The window with new blocks, and what is shown of it: the last second's median, kg, and the flow, kg/s."""
    window = (*window, *blocks)
    t_s = window[-1][0]
    first = 0
    while len(window) - first > LIMITS.sparse_points and window[first][0] < t_s - LIMITS.window_s:
        first += 1
    while window[first][0] < t_s - LIMITS.sparse_s:
        first += 1
    window = window[first:]
    newest = [kg for t, kg in window[-9:] if t > t_s - 1.0]  # of a sparse recording the last one alone
    third = max(1, len(window) // 3)
    dt_s = (t_s + window[-third][0] - window[0][0] - window[third - 1][0]) / 2
    rise = median([kg for _, kg in window[-third:]]) - median([kg for _, kg in window[:third]])
    flow = rise / dt_s if dt_s > 0 else 0.0
    return window, median(newest), flow


def take_out(track: PanTrack, kg: float, from_s: float, to_s: float, noise_kg: float) -> PanTrack:
    """Take a step out of calm readings that were let pass as a flow: it began after from_s and was over at to_s."""

    def without(blocks: tuple[Block, ...]) -> tuple[Block, ...]:
        return tuple((t, m - kg if t >= to_s else m) for t, m in blocks if t <= from_s or t >= to_s)

    window, median_kg, flow_kg_s = _published((), *without(track.window))
    calm = tuple(b for b in without(track.calm) if b[0] >= to_s)
    shifted = evolve(track, offset_kg=track.offset_kg + kg, calm=calm, scatter_kg=noise_kg, off_kg=0.0)
    return evolve(shifted, window=window, median_kg=median_kg, flow_kg_s=flow_kg_s)


def resume(track: PanTrack, jump: Jump, taken_out: bool, noise_kg: float) -> PanTrack:
    """Go on after a jump, its step taken out of everything that follows or left in."""
    shift = jump.kg if taken_out else 0.0
    tail = tuple((t, kg - shift) for t, kg in track.episode[-tail_length(track.calm) :])
    scatter = max(noise_kg, fit_line(tail).sigma_kg)
    window, median_kg, flow_kg_s = _published(track.window, *tail)
    return evolve(
        track,
        offset_kg=track.offset_kg + shift,
        calm=tail,
        episode=(),
        scatter_kg=scatter,
        window=window,
        median_kg=median_kg,
        flow_kg_s=flow_kg_s,
    )
