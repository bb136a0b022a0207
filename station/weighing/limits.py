"""By what the pan's stream is judged: each number of judgement with its unit and its reason.

An assumption has no source and is there to be measured. Where "simulated" stands, the value was chosen on seeded streams
of ``hardware.simulated`` (README of this room), not on a real pan.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Limits:
    """What ``station.weighing`` compares with."""

    # counts: raw counts that mean nothing
    stuck_s: float = 5.0
    """s of one and the same count after which a converter is called stuck, however quiet its cell. Assumption: fifty
    readings at ten a second, where a live cell repeats a handful."""
    stuck_by_chance: float = 1e-7
    """So unlikely a run of equal counts is no chance: at ten readings a second, once in twelve days of nothing else."""
    stuck_per_s: float = 2.0
    """Readings a second. A recording sparser than this may well have been written by hand."""
    lost_bit_counts: float = 1000.0
    """Counts. A smaller jump is not taken for a lost bit: a kick is as large, and does as little. Assumption."""
    fresh_s: float = 1.0
    """s. A count older than this tells nothing of where the next one belongs. Assumption."""
    calms: float = 0.95
    """Of the unrest that is kept from one count to the next: at ten a second it has halved after 1.4 s. Assumption."""
    bit_clear_of: int = 12
    """A power of two is one only where counts are steadier than this share (1/12) of it. Assumption."""

    # pan: calm stretches and what breaks them
    window_s: float = 6.0
    """s of readings that a level and a flow are taken from: sixty readings bring noise down eightfold. Assumption."""
    sparse_points: int = 5
    """Readings at least in that window: a line needs three, and one of five may be off. Assumption."""
    sparse_s: float = 60.0
    """s. A recording slower than about one reading a second still gets its five points, if they are a minute old at most."""
    reading_block_s: float = 0.075
    """s. Readings closer together are merged into one by their median: of a converter at 80 a second, six."""
    calm_s: float = 3.0
    """s that the line runs through: long enough to tell a drip's slope, short enough to follow a stream. Simulated."""
    calm_blocks: tuple[int, int] = (5, 30)
    """Readings in that line, at least and at most: below five a line follows whatever comes; thirty are 3 s at ten a second."""
    stale_line_s: float = 1.5
    """s without a reading after which the old line is not carried on. Assumption: more than ten readings missed."""
    gap_times: float = 5.0
    """Usual intervals without a reading after which it is not carried on either, of a slow recording. Assumption."""
    slow_s: float = 0.6
    """s. Readings further apart cannot tell a thing that falls from fluid that flows: all of them are taken."""
    out: float = 4.0
    """Standard deviations off the line at which a reading opens an episode: of normal noise, one in 16,000."""
    lead_s: float = 0.05
    """s of the line's own flow that a reading may lead or lag: half an interval at ten a second."""
    off_least_kg: float = 1e-4
    """kg off the line that never open an episode: a tenth of a gram is nothing to a job. Assumption."""
    shock_times: float = 6.0
    """Fluid swings from one reading to the next by little; a change so many times the usual one is a thing that struck.
    Simulated."""
    scatter_blocks: float = 20.0
    """Readings over which scatter and change are averaged: two seconds at ten a second. Assumption."""

    # jumps: what an episode came to
    tail_s: float = 1.0
    """s of readings on one line that end an episode. Simulated: a pan rings out within it."""
    tail_blocks: tuple[int, int] = (4, 10)
    """Readings in that end, at least and at most: three always lie near a line. Assumption."""
    episode_s: float = 4.0
    """s after which an episode is late: the flow may have changed while hands were at work. Simulated."""
    longest_episode_s: float = 40.0
    """s after which it is judged all the same: no air tool works for longer at a stretch. Common practice, no source."""
    most_kg_s: float = 0.5
    """kg/s. No fluid comes faster than half a litre in a second. Common practice, no source."""
    least_kg_s: float = -0.005
    """kg/s. None leaves the pan but by drying, at some grams a minute. Common practice, no source."""
    straight: float = 1.6
    """A straight end scatters no more than this many times what came before it: of ten readings, one in a hundred does."""
    side_blocks: int = 6
    """Readings on either side of a thing within an episode: the fewest whose line leaves four to judge it by."""
    sudden_gap_s: float = 0.7
    """s. A hand's quickness: within an episode a thing shows as a step between two short lines with this between them."""
    sudden_sure: float = 6.0
    """Standard uncertainties above which such a step is sure: many places are tried, so four would find one by chance."""
    sudden_kg: float = 0.004
    """kg. Smaller ones are not looked for under a stream. Simulated."""
    came_share: float = 0.5
    """Of what fell within a stream's beginning: as much again that came as quickly is the other half of a knock."""
    significant: float = 4.0
    """Standard uncertainties above which a step or a change of slope is one: of normal noise, one in 16,000."""
    correlated: float = 2.0
    """Fluid swings on: neighbouring readings err together, and a line's own scatter promises half. Simulated."""
    corner_s: float = 0.2
    """s. Where a flow changes at once, the readings do not say when to better than two of them."""
    rings_s: float = 0.5
    """s. What struck rings on: no line is laid through less than this after it. Simulated."""
    rings: float = 0.01
    """Of a step, what is left of a fall's ring after a second. Simulated."""
    drip_kg_s: float = 0.0015
    """kg/s. Anything faster is a stream: 100 mL a minute. Common practice, no source."""
    step_kg: float = 0.001
    """kg. Smaller steps are left in: 1 g is a third of a thousandth of an axle."""

    # steps: what a jump was
    sudden_s: float = 0.7
    """s. Fluid needs longer than this to arrive whole; a thing does not. Common practice, no source."""
    gulp_s: float = 3.0
    """s. A pool that lets go is empty down to its edge sooner than this; a hand that lays something down has let go of it."""
    again_s: float = 10.0
    """s. A hand that sprays presses again sooner than this after it began to. Common practice, no source."""
    alike: float = 0.8
    """One press of a can is like the one before it, or longer. Common practice, no source."""
    pool_kg: float = 0.04
    """kg. A pool on a housing's floor lets go no more than this in a few gulps; a can that is meant to flush brings more.
    Common practice, no source."""
    knock_kg: float = 0.02
    """kg that a reading swings beyond both levels before a blow is worth a word. Assumption."""
    shaken_s: float = 6.0
    """s. Of what came within a longer episode nobody can say how quickly it came."""
    pan_kg: float = 0.15
    """kg. No drain pan weighs less: a reading this far below the empty pan means that it is off."""
    same_kg: float = 0.003
    """kg by which what is taken off may differ from what was put on: a wiped tool leaves a gram or two. Assumption."""
    splash_kg: float = 0.006
    """kg. In a stream a step must be larger than this and what the stream brings in ``splash_s``. A smaller one is counted
    as fluid, and half of it widens the uncertainty. Simulated."""
    splash_s: float = 0.12
    """s of the stream, for the same: a stream breaks up and comes in lumps."""
    hidden_kg: float = 0.003
    """kg. Less than this, hidden in a stream, is not worth a word: a thousandth of an axle."""

    # drip: what still comes
    drip_block_s: float = 2.0
    """s between the levels that the drip is fitted to: a level is a second's median, and neighbours must not share one."""
    horizon_s: float = 1800.0
    """s that "still to come" looks ahead. Half an hour is as long as anybody waits."""
    pending_blocks: int = 10
    """Levels that wait before they join the fit, so that what is not drip can be seen before it spoils it: twenty seconds."""
    tells_s: float = 45.0
    """s. Before this age a gush is the bulk's own end; after it, it needs an explanation. Common practice, no source."""
    unexplained_kg: float = 0.005
    """kg above the drip's curve that need one: a sixth of a per cent of an axle. Assumption."""
    grown: float = 1.5
    """Times that the flow must have grown as well, for the curve may be a poor one yet. Assumption."""
    beside: float = 0.25
    """A gulp is a step: for six seconds after it, and before it, no more than this share of it has left the curve."""
    after_blocks: int = 3
    """Levels that those six seconds are."""
    misfit_runs: float = 5.0
    """Neighbouring levels miss a curve together: so many of them count as one. Simulated."""
    origins_s: tuple[float, ...] = (0.0, 25.0, 60.0, 120.0, 240.0, 480.0)
    """s before the end of bulk flow at which the film's clock may have started: walls come out of the fluid one by one.
    With the first alone the forecast was three to five times too small. Simulated."""
    stream_s: float = 30.0
    """s. The last of the stream is no film yet. Assumption."""
    settles_s: float = 4.0
    """s. What is left of a gulp, or of hands on the pan, is no drip. Assumption."""
    forget_s: float = 150.0
    """s in which a level's weight in the fit falls to a third: the axle cools, and its oil thickens. Assumption."""
    drip_model_u: float = 0.10
    """Of the forecast. The law is for one wall of one temperature; an axle is many, cooling. Assumption."""
    floor_u: float = 0.4
    """Of the film that is left. A nearly level floor drains as t^(−1/3), slower than a wall: this share of what is left by
    the law of walls stays in doubt, and it is never less. Source: lubrication theory, film ∝ t^(−1/2) on a wall, t^(−1/3)
    on a floor (from memory)."""

    # rest: a pan left alone
    rest_block_s: float = 5.0
    """s between the levels that a drift is fitted to: no two share a reading. Assumption."""
    rest_blocks: int = 60
    """Levels kept: five minutes, in which a drift hardly bends. Assumption."""
    least_blocks: int = 4
    """Levels without which there is no drift: three tell level, rate and bend, and one checks them."""
    median_noise: float = 0.4
    """Standard deviation of a second's median at ten readings, of one reading's: 1.25/√10, the normal distribution's."""
    fades_per_s: float = 5.0e-4
    """1/s. How fast a drift fades before readings say: not at all to once in 1,000 s, all alike. Common practice, no source."""
    u_fades_per_s: float = 2.9e-4
    """1/s. Its standard uncertainty, of that rectangle: 10⁻³/(2√3)."""
    off_times: float = 5.0
    """Standard uncertainties off the line of the later ones, carried back, and ``off_kg``: such a level belongs to
    something that has ended since. Assumption."""
    off_kg: float = 2.0e-4
    """kg, for the same: a fifth of a gram, for what that uncertainty knows nothing of. Assumption."""
    u_cell_kg_s: float = 3e-7
    """kg/s. What a cell's zero wanders by itself over minutes: about 1 g/h. Common practice, no source."""
    u_wet_kg_s: float = 5e-5
    """kg/s. Of a pan with solvent in it that had no rest: some grams a minute may leave it. Common practice, no source."""
    drift_model_u: float = 0.03
    """Of a drift. Draughts and warmth change it from one minute to the next: so much of it stays in doubt. No source."""


LIMITS = Limits()
