"""By what the core stops the pump, warns, doubts and reads the pan: each with its unit and its reason.

An assumption has no source, and is there to be measured. What a stream is judged by before it gets here stands in
``station.weighing.limits`` and ``station.filling.limits``.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Limits:
    """What ``station.core`` compares with."""

    # interlocks: what stops the pump, or warns
    flow_low: float = 0.6
    """Of what the pump can do at this viscosity; too high is ``station.filling.limits.Limits.beyond_pump``. Thermometer,
    viscosity data and wear lie well within. Assumption."""
    flow_out_s: float = 1.0
    """s. A flow out of range has to last: one block of pulses may be off by chance."""
    meter_silent_s: float = 0.45
    """s. Four of the meter's own intervals at 10 readings a second, and a little."""
    late_pulses: float = 6.0
    """So many pulses overdue is no scatter of the meter's rhythm. Assumption."""
    late_pulses_least: float = 3.0
    """Pulses overdue that a bay's own ``no_flow_s`` cannot go below: one late and one missed are no fault. Assumption."""
    no_flow_least_s: float = 0.7
    """s. Below this a polled meter's jitter would stop a sound pump. Assumption."""
    started_s: float = 1.0
    """s of counted flow after which the pump counts as started. Assumption."""
    starts_times: float = 1.5
    """Times the learned overrun that a start may take: it starts as it stops, and a little slower when cold. Assumption."""
    start_overlap_s: float = 0.2
    """s by which a block of flow may reach into the pump's start and still be judged: two polls of the meter. Assumption."""
    unsteady_s: float = 2.5
    """s of a turn in which the flow is not that of the pump yet: hose and valve fill first. Assumption."""
    run_times: float = 1.5
    """Times as long as the pump needs for what is to go a turn may last: a pump wears. Assumption."""
    run_starts_s: float = 2.0
    """s for the start, in that time: a top-up of some millilitres takes no time at all."""
    first_miscount: float = 0.5
    """Of what may have come uncounted, that counts against the target the first time: a kink or an air lock is as likely."""
    leap: float = 5.0
    """Times what the pump can move between two counts: no fluid comes so fast."""
    leap_l: float = 0.05
    """L allowed beyond that, for a count that was held up on its way."""
    apart_s: float = 1.0
    """s for which two pulse trains have to differ: they are polled at different moments."""
    over_l: float = 0.05
    """L over the target at least before it is called over: more than any overrun that is learned."""
    over_rel: float = 0.01
    """Of the target: within any tolerance that a job states. Assumption."""
    pan_gone_kg: float = 0.25
    """kg below the empty pan: more than a tool taken off, less than any drain pan. Assumption."""
    stays_on_s: float = 0.4
    """s from the stop command to the relay read as off: relay and poll need less than 0.1 s. Assumption."""
    stray_l: float = 0.015
    """L with the pump off. With what passes until the next look this is told before 20 mL have run."""
    stray_settles_s: float = 1.5
    """s after a stop in which the line still empties itself."""
    stray_first_l: float = 0.06
    """L that may come in that time, where the learned overrun is less. Assumption."""
    stray_first_times: float = 3.0
    """Times the learned overrun that may come in that time. Assumption."""
    stray_settles_times: float = 1.5
    """Usual intervals of the meter that are waited as well: its next count still holds what came before the stop."""
    stray_over_s: float = 3.0
    """s without a pulse after which nothing flows any more. Assumption."""
    sparse_meter_s: float = 0.2
    """s between a meter's counts from which on the first one after a stop still holds what came before it."""
    timing_s: float = 2.0
    """s for which a converter may be read too late: its driver mends that within half a second, or nothing does."""
    jump_c: float = 8.0
    """°C from one reading of the supply to the next: fluid in a container cannot change so fast."""
    drum_empty_l: float = 0.3
    """L left by the count, below which a pump that gives nothing is said to have emptied its drum: what a suction tube
    does not reach, and the count's own doubt. Assumption."""
    pan_nearly: float = 0.85
    """Of the pan's room, so that there is time to fetch a second vessel. Common practice, no source."""
    over_blocks: int = 4
    """Newest readings whose least is believed: no kick's."""
    rising_kg: float = 0.003
    """kg that unjudged readings have to rise by; less lies still, like something laid in."""

    # the stream and its gaps
    gap_s: float = 1.0
    """s without a reading after which a source is silent: ten of a usual one's intervals. Assumption."""
    gap_temperature_s: float = 10.0
    """s, of a thermometer: a 1-Wire one takes 0.75 s for a reading (its data sheet), several share a wire, and a fluid's
    temperature does not change in ten seconds."""
    gap_times_typical: float = 4.0
    """A source is silent after four of its own usual intervals, however fast or slow it is. Assumption."""

    # doubts: shown before an interlock is sure
    doubt_late_s: float = 0.4
    """s. No reading is called late sooner: four polls at ten a second. Assumption."""
    doubt_late_times: float = 1.6
    """Times its usual interval: a reading is overdue after more than half of its pace again. Assumption."""
    doubt_pulses: float = 3.0
    """Pulses overdue before the meter is said to count nothing. Assumption."""
    doubt_by_chance: float = 1e-5
    """So unlikely a run of equal counts is worth a doubt: by chance once in three hours at ten readings a second."""

    # stops and what is learned from them
    top_up_l: float = 0.05
    """L by which one top-up raises the target: a level seen low is low by about as much. Common practice, no source."""
    steady_s: float = 3.0
    """s. Shorter turns never reached the pump's flow: nothing is learned from them. Assumption."""
    stands_s: float = 1.2
    """s without a pulse after which what still flowed has come. Assumption."""
    follow_s: float = 6.0
    """s after which a stop whose pulses never end is given up: that is a siphon, and no overrun. Assumption."""
    count_age_s: float = 0.1
    """s that the newest count is carried on at the flow seen: one poll; after that nobody knows."""

    # the pan, by stage
    bulk_kg_s: float = 0.003
    """kg/s above which the drain runs: 200 mL a minute, twice the fastest drip. Common practice, no source."""
    bulk_calm_s: float = 5.0
    """s below a stream's flow after which it is over: a plug's stream breaks up and comes again. Assumption."""
    bulk_gain_kg: float = 0.05
    """kg that have to be in the pan as well: a hand on its rim flows too. Assumption."""
    pump_quiet_s: float = 8.0
    """s. What the pump brought still runs over at the plug for so long after the last pulse. Assumption."""
    overflow_seen_kg: float = 0.003
    """kg that the pan has to gain before something is said to have run over: a hose drips less. Assumption."""
    overflow_seen_noises: float = 6.0
    """Times the noise of one reading, for the same with a coarse pan. Assumption."""
    knock_again_s: float = 10.0
    """s in which a second knock is not told again: whoever works at the axle knows. Assumption."""
    shaken_kg: float = 0.001
    """kg of scatter above which a drip is not read: an air tool runs nearby. Assumption."""
    shaken_times: float = 8.0
    """Times the noise of one reading, for the same with a coarse pan. Assumption."""

    seen_early_rel: float = 0.1
    """Of the planned fill, that may go in after the level was seen at the plug: more would have run over, or it was not there.
    Common practice, no source."""
    take_back_kg: float = 0.02
    """kg that the pan may have gained or lost since a mark that is taken back: two minutes of a drip, and less than half
    of the tolerance of a small axle. Assumption."""

    # proof at the lip: common practice, no source, where nothing else is said
    lip_step_l: float = 0.015
    """L of one step while nothing runs over: three of a small pump's overruns."""
    lip_sure_step_l: float = 0.010
    """L of the steps after the pan has gained: less has to be wiped up."""
    lip_over_l: float = 0.010
    """L over the lip that the pan has to have weighed: more than a hose drips."""
    lip_answers: int = 2
    """Steps that the pan has to have answered: a bolt falls once."""
    lip_plenty_l: float = 0.030
    """L over the lip that need no second step: it is more than one small thing."""
    lip_answer_kg: float = 0.0015
    """kg that the pan has to gain with a step to have answered: ten times its noise."""
    lip_read_s: float = 4.0
    """s without a pulse before the pan is read: what is above the lip has begun to run by then."""
    lip_calm_kg_s: float = 0.0001
    """kg/s below which a dribble counts as over: 1 g in 10 s."""
    lip_dribbles_s: float = 20.0
    """s after which what still runs is taken for a drip that the pump does not bring, and taken off."""
    lip_unread_s: float = 60.0
    """s after which a pan that does not come to rest ends the proof."""
    lip_unread_l: float = 0.001
    """L metered since the last reading from which on there is something new to read."""
    lip_margin_l: float = 0.010
    """L that may run over beyond what was pushed: what stood above the lip before."""
    lip_counted: float = 0.3
    """Of a step, to be metered at least; with less, the meter does not see what the pump brings."""
    lip_longer: float = 1.2
    """Times as long as the pump needs for a step it may last: a pump wears."""
    lip_steps_more: int = 2
    """Steps beyond those that the stated amount gives: each is also bounded by the pump's time, whatever the meter says."""


LIMITS = Limits()
