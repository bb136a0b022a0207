"""The pure step: a state and a sample give the next state and what follows from it.

Live, simulated and replayed jobs run this same code; they differ in who feeds the samples and who carries out the
effects. Figures depend on the recording's sources alone, so that replaying an exported job gives them again.
"""

import math
from dataclasses import dataclass

from hardware.sample import Sample
from station.common.digits import number
from station.common.evolve import evolve
from station.common.words import _
from station.core import amounts, container, devices, interlocks, interruption, lip, pan_events, second_pan
from station.core.control import control
from station.core.expectation import expected_now
from station.core.limits import LIMITS
from station.core.marks import mark
from station.core.notice import Notice
from station.core.state import BayState, note
from station.filling import metering
from station.filling.overrun import Stop
from station.given.recording import COUNTS, PANS, TEMPERATURES
from station.given.report import DRAIN_CUT_SHORT
from station.given.said import Came
from station.given.sources import name
from station.given.stages import FINISHED, Stage


@dataclass(frozen=True)
class PumpCommand:
    """What the guard is to be told from now on. fine: the slow speed. trip: open the second cut-off as well."""

    run: bool
    fine: bool = False
    trip: bool = False


@dataclass(frozen=True)
class LedgerEvent:
    """A fact for the record."""

    kind: str
    t_s: float
    text: str


Effect = PumpCommand | LedgerEvent | Notice | Stop


def step(state: BayState, sample: Sample) -> tuple[BayState, tuple[Effect, ...]]:
    """Take in one sample.

    A sample from the past is named in a notice and left out; no sample makes this raise.
    """
    odd = _unusable(state, sample)
    if odd is not None:
        kind, text = odd
        once = f"{kind}:{sample.source}"
        if once in state.telling.warned:
            return state, ()
        left_out = note(state, kind, text)
        telling = evolve(left_out.telling, warned=left_out.telling.warned | {once})
        return evolve(left_out, telling=telling), (telling.notices[-1],)
    before = state
    state = _silences(_heard(state, sample))
    if state.hearing.timing_since_s:
        state = devices.overdue(state)
    state = control(_taken(state, sample), sample)
    return state, _effects(before, state)


def _unusable(state: BayState, sample: Sample) -> tuple[str, str] | None:
    """Why a sample has to be left out: the notice's kind and its text."""
    if sample.t_s < state.t_s:
        return (
            "time_backwards",
            _(
                "{sensor}: a reading of {t_s} s came after one of {newest_s} s. Readings that go back in time are left out; put the recording's rows in time order."
            ).format(
                sensor=name(sample.source), t_s=number(sample.t_s, ".3f"), newest_s=number(state.t_s, ".3f")
            ),
        )
    if isinstance(sample.value, float) and not math.isfinite(sample.value):
        text = _("{sensor}: {value} is not a reading. It was left out; check the sensor.").format(
            sensor=name(sample.source), value=sample.value
        )
        return f"{sample.source}_no_number", text
    return None


def _taken(state: BayState, sample: Sample) -> BayState:
    """What the sample says of its own subject."""
    source, value = sample.source, sample.value
    if source in PANS:
        return lip.read(_pan(state, source, int(value)))
    if source == "meter":
        return _meter(state, int(value))
    if source == "mark":
        return mark(state, str(value))
    if source in TEMPERATURES:
        return _temperature(state, source, float(value))
    if source == "pump":
        meter = metering.switch(state.meter, state.t_s, bool(value))
        return evolve(state, pump=evolve(state.pump, on=bool(value)), meter=meter)
    if source == "meter_b":
        return evolve(state, meter=metering.add_b(state.meter, int(value)))
    if source == "container":
        return _container(state, float(value))
    if source == container.SOURCE:
        return container.take(state, str(value))
    if source == "answer":
        return _answer(state, str(value))
    if source == interruption.SOURCE:
        return interruption.take(state, str(value))
    if source.endswith("_state"):
        return devices.take(state, source.removesuffix("_state"), str(value))
    return state


def _pan(state: BayState, source: str, count: int) -> BayState:
    if source == "pan":
        return pan_events.take(state, count)
    if second_pan.fitted(state):
        return second_pan.on_second(state, lambda seen: pan_events.take(seen, count))
    if any(n.kind == "pan_b_unknown" for n in state.telling.notices):
        return state
    return note(
        state,
        "pan_b_unknown",
        _(
            "{sensor}: it was read, and the job has no line for it: what came into it is in no figure. Add its [pan_b] table to the job."
        ).format(sensor=name(source)),
    )


def _effects(before: BayState, after: BayState) -> tuple[Effect, ...]:
    same_words = after.telling is before.telling and after.said is before.said
    was, now = before.pump.hold, after.pump.hold
    if now is was and same_words and after.stage is before.stage:
        return ()
    effects: list[Effect] = []
    trip = now.tripped and not was.tripped
    if now.running != was.running or now.fine != was.fine or trip:
        effects.append(PumpCommand(now.running, now.fine, trip))
    effects.extend(after.pump.stops[len(before.pump.stops) :])
    if after.stage is not before.stage:
        effects.append(LedgerEvent("stage", after.t_s, after.stage.value))
    for step_id, word in after.said.answers.items():
        if before.said.answers.get(step_id) != word:
            effects.append(LedgerEvent("answer", after.t_s, f"{step_id}:{word}"))
    effects.extend(
        LedgerEvent("taken_back", after.t_s, word)
        for word, _ in after.said.taken_back[len(before.said.taken_back) :]
    )
    if after.said.container != before.said.container:
        effects.append(LedgerEvent("container_weighed", after.t_s, container.in_words(after.said.container)))
    effects.extend(after.telling.notices[len(before.telling.notices) :])
    return tuple(effects)


def _heard(state: BayState, sample: Sample) -> BayState:
    """The moment of the sample, and who spoke in it or speaks again."""
    t_s, source, hearing = sample.t_s, sample.source, state.hearing
    if source not in COUNTS and source not in TEMPERATURES:
        return evolve(state, t_s=t_s)
    last = hearing.last_t_s.get(source)
    last_t_s = {**hearing.last_t_s, source: t_s}
    if last is None:
        return evolve(state, t_s=t_s, hearing=evolve(hearing, last_t_s=last_t_s))
    gap_s = t_s - last
    typical = hearing.typical_s.get(source, gap_s)
    if source in hearing.silent or (gap_s > _gap_limit_s(source, typical) and _watching(state)):
        hearing = evolve(hearing, last_t_s=last_t_s, silent=hearing.silent - {source})
        return note(
            evolve(state, t_s=t_s, hearing=hearing),
            "gap",
            _(
                "{sensor}: no reading for {gap_s} s. The figures use what was read before and after; nothing was made up in between."
            ).format(sensor=name(source), gap_s=number(gap_s, ".1f")),
        )
    usual_s = 0.9 * typical + 0.1 * min(gap_s, 2 * typical)
    typical_s = {**hearing.typical_s, source: usual_s}
    return evolve(state, t_s=t_s, hearing=evolve(hearing, typical_s=typical_s, last_t_s=last_t_s))


def _gap_limit_s(source: str, typical_s: float) -> float:
    return max(
        LIMITS.gap_temperature_s if source in TEMPERATURES else LIMITS.gap_s,
        LIMITS.gap_times_typical * typical_s,
    )


def _watching(state: BayState) -> bool:
    return state.stage not in FINISHED


def _silences(state: BayState) -> BayState:
    if not _watching(state):
        return state
    last_t_s, t_s = state.hearing.last_t_s, state.t_s
    for source, typical in state.hearing.typical_s.items():
        last = last_t_s[source]
        if t_s - last <= LIMITS.gap_s:  # nobody's limit is shorter, and this is asked at every sample
            continue
        if state.t_s - last > _gap_limit_s(source, typical) and source not in state.hearing.silent:
            state = note(
                evolve(state, hearing=evolve(state.hearing, silent=state.hearing.silent | {source})),
                "silent",
                _("{sensor}: no reading for {t_s} s. Check its cable and connector.").format(
                    sensor=name(source), t_s=number(state.t_s - last, ".1f")
                ),
                stops=source not in devices.TOLD_ONLY,
            )
    return state


def _answer(state: BayState, text: str) -> BayState:
    """The technician says what a step on the pan was: "s1:object". Anything else is left out."""
    step_id, _, word = text.partition(":")
    known = (*state.weighing.steps, *state.other.weighing.steps)
    if word not in set(Came) or all(s.id != step_id for s in known):
        return state
    return evolve(state, said=evolve(state.said, answers={**state.said.answers, step_id: word}))


def _container(state: BayState, kg: float) -> BayState:
    """The container's scale: before the first pulse of the fill, and until the plug is in."""
    fill = state.fill
    if not state.meter.pulses:
        fill = evolve(fill, container_before_kg=kg)
    return evolve(state, fill=evolve(fill, container_after_kg=kg)) if fill.end is None else state


def _meter(state: BayState, count: int) -> BayState:
    last = state.meter.last
    if last is None and state.meter.counting and count > 0:
        state = note(
            state,
            "meter_starts_late",
            _(
                "Meter: its first count, {count}, came after the fill had begun. Counting starts there: what was pumped before is not in the figure. Check the meter's cable, and weigh or drain before relying on this fill."
            ).format(count=count),
        )
    if count < (last or 0):
        state = note(
            state,
            "meter_reset",
            _(
                "Meter: the count fell from {last} to {count}. What was pumped in between is not known; counting goes on from here. Check the counter's supply."
            ).format(last=last or 0, count=count),
            stops=True,
        )
        return evolve(state, meter=evolve(state.meter, last=count, recent=()))
    meter = metering.add(state.meter, state.t_s, count, state.spec.meter, state.spec.pump)
    return evolve(state, meter=meter)


def _temperature(state: BayState, source: str, value_c: float) -> BayState:
    last_c = state.hearing.temperatures_c.get(source, value_c)
    if source == "fluid_supply_c" and state.meter.counting and abs(value_c - last_c) > LIMITS.jump_c:
        found = _("From {last_c} to {value_c} °C at once.").format(
            last_c=number(last_c, ".1f"), value_c=number(value_c, ".1f")
        )
        state = note(state, "supply_jump", interlocks.text("supply_jump", found))
    state = _with_temperatures(state, {**state.hearing.temperatures_c, source: value_c})
    if source == "air_c":
        return state
    spec = state.spec
    fluid = spec.fresh if source == "fluid_supply_c" else spec.drained
    try:
        fluid.density_kg_m3(value_c)
        if source == "fluid_supply_c":
            meter = metering.supply(state.meter, fluid, value_c, spec.reference_temperature_c)
            if meter is state.meter:
                return state
            state = evolve(state, meter=meter)
            if state.fill.expected_l is not None and state.fill.end is None:
                state = evolve(state, fill=evolve(state.fill, expected_l=expected_now(state).value_l))
            return state
    except ValueError as error:
        kind = f"{source}_out_of_range"
        if not any(n.kind == kind for n in state.telling.notices):
            state = note(
                state,
                kind,
                _("{sensor}: {error} The last usable temperature stays in use.").format(
                    sensor=name(source), error=error
                ),
                stops=True,
            )
        kept = {name: c for name, c in state.hearing.temperatures_c.items() if name != source}
        return _with_temperatures(state, kept)
    return state


def _with_temperatures(state: BayState, temperatures_c: dict[str, float]) -> BayState:
    return evolve(state, hearing=evolve(state.hearing, temperatures_c=temperatures_c))


def finish(state: BayState) -> BayState:
    """Say what was missing, once, when no more samples come."""
    due = state.spec.calibration_due
    if due:
        state = note(
            state,
            "calibration_due",
            _("This job was measured although {due}. Calibrate before you rely on it.").format(due=due),
        )
    needed = {
        "pan": _("what was drained and what ran over could not be weighed"),
        "meter": _("the fill could not be metered"),
        "fluid_drained_c": _("the drained fluid was taken to be at the reference temperature"),
        "fluid_supply_c": _(
            "the fresh fluid was taken to be at the reference temperature, with a wide uncertainty"
        ),
    }
    if second_pan.fitted(state):
        needed[second_pan.SOURCE] = _("what came into it is in no figure")
    for source, effect in needed.items():
        if source not in state.hearing.last_t_s:
            state = note(
                state,
                "missing_source",
                _("{sensor}: no reading in this job; {effect}.").format(sensor=name(source), effect=effect),
            )
    for word, effect in (
        ("drain_open", _("The drain was never marked as opened; nothing drained was measured.")),
        ("fill_start", _("The fill was never started; no fill was measured.")),
    ):
        if state.marked(word) is None:
            state = note(state, "missing_mark", effect)
    untaken = state.drain.taken is None and state.stage is not Stage.CLOSED
    if untaken and state.marked("drain_open") is not None:
        text = _("The drain was not marked as done; what came out is as of the pan's last reading.")
        state = note(state, DRAIN_CUT_SHORT, text)
    wrong = amounts.wrong_fill(state)
    if wrong is not None and state.meter.pulses:
        state = note(
            state,
            "wrong_fill",
            _("This fill is not called full: {wrong}. See the vehicle's service manual.").format(wrong=wrong),
        )
    if state.stage not in FINISHED:
        state = note(
            state, "not_closed", _("The job was not closed. These are the figures at its last reading.")
        )
    return state
