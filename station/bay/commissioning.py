"""A bay commissioned step by step: what is wired, how steady the pan is, what was tried. Kept in the record as it comes, so
that every step can be left and gone on with another day.

The steps' state is a fold over the record's own events; the calibration of pan and meter are the calibration desk's.
"""

import statistics
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from enum import StrEnum
from itertools import pairwise
from typing import Any

from hardware.ticker import Ticker
from station.common.digits import number
from station.common.words import N_, _
from station.errors import InputError
from station.given.config import BayConfig
from station.given.sources import name

EVENT = "commissioning"
LOOK_S, ROW_S = 0.05, 1.0
REST_LONGEST_S, REST_SHORTEST_S = 3600.0, 60.0
"""An hour shows a zero's drift with the day's warmth; less than a minute shows nothing (common practice, no source)."""
EDGE_S = 20.0
"""What a creep is taken between: the means of so long at either end."""


PHASES = ("empty", "loaded")
PANS = {"pan": "", "pan_b": "_b"}
"""The pans that a bay can have, and what ends the name of a phase of each: "empty" and "empty_b"."""


class Step(StrEnum):
    DEVICES = "devices"
    NAME = "name"
    PAN = "pan"
    METER = "meter"
    REST = "rest"
    STOPS = "stops"
    PUMP = "pump"
    PAPERS = "papers"


BY_HAND = (Step.NAME, Step.STOPS, Step.PUMP, Step.PAPERS)
"""Steps that are done when somebody says so; the others when they are."""


@dataclass(frozen=True)
class Touch:
    """by: how far a source has to move, in its own unit; None where it has to read 1."""

    do: str
    by: float | None


TOUCHES: Mapping[str, Touch] = {
    "pan": Touch(N_("press on the pan with a hand"), 0.2),
    "pan_b": Touch(N_("press on the pan with a hand"), 0.2),
    "meter": Touch(N_("turn the meter's rotor, or blow through it"), 1.0),
    "meter_b": Touch(N_("turn the meter's rotor, or blow through it"), 1.0),
    "fluid_drained_c": Touch(N_("warm it in the hand"), 1.0),
    "fluid_supply_c": Touch(N_("warm it in the hand"), 1.0),
    "air_c": Touch(N_("warm it in the hand"), 1.0),
    "container": Touch(N_("press on the container's scale"), 0.2),
    "pendant": Touch(N_("press the pendant and let go"), None),
    "stop_open": Touch(N_("press the hard-wired stop, then release it"), None),
}
"""A pan's by is in kilograms, by its line in force."""


@dataclass(frozen=True)
class Steadiness:
    """A pan left alone. noise_kg: standard deviation of one reading. drift_kg_h: a straight line through the readings.
    creep_kg: how far the last EDGE_S are above the first. warmed_c: how far the air went meanwhile, None where not read."""

    lasts_s: float
    noise_kg: float
    drift_kg_h: float
    creep_kg: float
    warmed_c: float | None


@dataclass(frozen=True)
class Progress:
    """What the record says. seen: sources that moved under a hand. released: those that then let go. rest: a pan's phase →
    what was found. done: step → who said so and with what remark. left: step → why it was left out."""

    seen: frozenset[str] = frozenset()
    released: frozenset[str] = frozenset()
    rest: Mapping[str, Steadiness] = field(default_factory=dict)
    done: Mapping[str, str] = field(default_factory=dict)
    left: Mapping[str, str] = field(default_factory=dict)


def wired(config: BayConfig, simulated: bool) -> list[str]:
    """The sources that a bay has, each of which a hand can move."""
    pins = config.pins
    by_line = {**config.serial.used(), **config.modbus.used()}
    fitted = {
        "pan_b": config.pan_b is not None,
        "meter_b": pins.meter_b is not None,
        "container": "container" in by_line,
        "stop_open": pins.stop_sense is not None,
        **{
            source: simulated or source in config.thermometers
            for source in ("fluid_drained_c", "fluid_supply_c", "air_c")
        },
    }
    return [source for source in TOUCHES if fitted.get(source, True)]


def phases(wanted: Iterable[str]) -> list[str]:
    """The phases in which each pan of a bay is to be left alone. wanted: its sources."""
    return [phase + end for pan, end in PANS.items() if pan in wanted for phase in PHASES]


def fold(bodies: Iterable[Mapping[str, Any]]) -> Progress:
    """All steps after these events, oldest first. One that an older or newer station wrote differently is passed over."""
    at = Progress()
    for body in bodies:
        what, step = body.get("what"), str(body.get("step", ""))
        if what == "anew":
            at = Progress()
        elif what == "seen":
            at = replace(at, seen=at.seen | {str(body.get("source"))})
        elif what == "released":
            at = replace(at, released=at.released | {str(body.get("source"))})
        elif what == "measured" and isinstance(body.get("found"), Mapping):
            at = replace(at, rest={**at.rest, str(body.get("phase")): Steadiness(**body["found"])})
        elif what == "done":
            rest = {key: why for key, why in at.left.items() if key != step}
            at = replace(at, done={**at.done, step: str(body.get("remark", ""))}, left=rest)
        elif what == "left":
            at = replace(at, left={**at.left, step: str(body.get("reason", ""))})
    return at


def steadiness(rows: Sequence[tuple[float, float, float | None]]) -> Steadiness:
    """rows: seconds, indicated kg, air °C. Raises InputError where there is too little to say anything."""
    if len(rows) < 10 or rows[-1][0] - rows[0][0] < REST_SHORTEST_S:
        raise InputError(
            _("The pan has to be left alone for at least {rest_shortest_s} s; an hour shows more.").format(
                rest_shortest_s=number(REST_SHORTEST_S, ".0f")
            )
        )
    t_s, kg = [row[0] for row in rows], [row[1] for row in rows]
    # From reading to reading, so that a slow drift is no noise.
    noise_kg = statistics.fmean((b - a) ** 2 for a, b in pairwise(kg)) ** 0.5 / 2.0**0.5
    first = [mass for t, mass in zip(t_s, kg, strict=True) if t <= t_s[0] + EDGE_S]
    last = [mass for t, mass in zip(t_s, kg, strict=True) if t >= t_s[-1] - EDGE_S]
    air = [row[2] for row in rows if row[2] is not None]
    return Steadiness(
        t_s[-1] - t_s[0],
        noise_kg,
        statistics.linear_regression(t_s, kg).slope * 3600.0,
        statistics.fmean(last) - statistics.fmean(first),
        max(air) - min(air) if air else None,
    )


class Watch:
    """Sees which of the wired sources move from where they stood, and which contacts were let go again."""

    def __init__(self, kg_per_count: Mapping[str, float]) -> None:
        """kg_per_count: of each pan."""
        self._kg_per_count = kg_per_count
        self._from: dict[str, float] = {}

    def take(self, heard: Mapping[str, Any]) -> list[tuple[str, str]]:
        """Pairs of what happened, "seen" or "released", and the source."""
        found = []
        for source, touch in TOUCHES.items():
            value = heard.get(source)
            if not isinstance(value, int | float):
                continue
            if touch.by is None:
                found.append(("seen", source) if value else ("released", source))
                continue
            stood = self._from.setdefault(source, float(value))
            step = abs(value - stood) * self._kg_per_count.get(source, 1.0)
            if step >= touch.by:
                found.append(("seen", source))
        return found


class Commissioning:
    """One bay's commissioning. Every method may be called from any thread.

    heard: the newest value of each source. enter: puts an event's body into the record, and returns when it is on disk.
    kg_of: indicated mass of a pan's count. wanted: the sources that this bay is wired to.
    """

    def __init__(
        self,
        past: Iterable[Mapping[str, Any]],
        wanted: Sequence[str],
        heard: Callable[[], Mapping[str, Any]],
        enter: Callable[[dict[str, Any]], object],
        kg_of: Callable[[str, float], float],
        clock: Callable[[], float],
    ) -> None:
        self.wanted = tuple(wanted)
        self._heard, self._enter, self._kg_of, self._clock = heard, enter, kg_of, clock
        self._past = list(past)
        self._lock = threading.RLock()
        self._ticker: Ticker | None = None
        self._watch: Watch | None = None
        self._phase = ""
        self._rows: dict[str, list[tuple[float, float, float | None]]] = {}

    @property
    def progress(self) -> Progress:
        with self._lock:
            return fold(self._past)

    @property
    def watching(self) -> str:
        """devices, empty or loaded while it looks; empty otherwise."""
        with self._lock:
            return "devices" if self._watch is not None else self._phase

    @property
    def watched_s(self) -> float:
        """How long the pans have been left alone so far."""
        with self._lock:
            return max((rows[-1][0] - rows[0][0] for rows in self._rows.values() if rows), default=0.0)

    def look(self) -> None:
        """Look which devices move, until ``end``. Raises InputError while something is being looked at."""
        with self._lock:
            self._need_idle()
            pans = [one for one in self.wanted if one in ("pan", "pan_b")]
            self._watch = Watch({one: abs(self._kg_of(one, 1.0) - self._kg_of(one, 0.0)) for one in pans})
            self._start()

    def rest(self, phase: str) -> None:
        """Leave every pan alone and look: "empty", or "loaded". Raises InputError."""
        if phase not in PHASES:
            raise InputError(_("phase is {phase!r}; expected empty or loaded.").format(phase=phase))
        with self._lock:
            self._need_idle()
            self._phase, self._rows = phase, {}
            self._start()

    def end(self) -> None:
        """Stop looking. Of each pan that was left alone long enough, what was found goes into the record. Raises InputError
        for one that was not, or was not read."""
        with self._lock:
            phase, rows = self._phase, self._rows
            self._watch, self._phase, self._rows = None, "", {}
            ticker, self._ticker = self._ticker, None
        if ticker is not None:
            ticker.stop()
        if not phase:
            return
        fault: InputError | None = None
        for pan, end in PANS.items():
            if pan not in self.wanted:
                continue
            try:
                if not rows.get(pan):
                    raise InputError(
                        _(
                            "{device}: nothing was read. See whether it is plugged in, and begin again."
                        ).format(device=name(pan))
                    )
                found = asdict(steadiness(rows[pan]))
            except InputError as error:
                fault = error
            else:
                self._tell({"step": Step.REST, "what": "measured", "phase": phase + end, "found": found})
        if fault is not None:
            raise fault

    def say(self, step: Step, remark: str) -> None:
        """Say that a step is done. Raises InputError for one that is done only when it is."""
        if step not in BY_HAND:
            raise InputError(
                _("The station ticks the step {step} itself, once it is done.").format(step=_(step))
            )
        at = self.progress
        missing = [
            one for one in ("pendant", "stop_open") if one in self.wanted and one not in at.seen & at.released
        ]
        if step is Step.STOPS and missing:
            raise InputError(
                _("Not tried yet: {sensors}. Press and let go while the station looks.").format(
                    sensors=", ".join(name(one) for one in missing)
                )
            )
        self._tell({"step": step, "what": "done", "remark": remark.strip()})

    def leave_out(self, step: Step, reason: str) -> None:
        """Go on without a step, with a reason for the record. Raises InputError without one."""
        if not reason.strip():
            raise InputError(_("Say why this step is left out."))
        self._tell({"step": step, "what": "left", "reason": reason.strip()})

    def anew(self) -> None:
        """Commission the bay anew, as after a repair; what was found before stays in the record."""
        with self._lock:
            self._need_idle()
        self._tell({"what": "anew"})

    def close(self) -> None:
        """Stop looking, for good."""
        if self._ticker is not None:
            self._ticker.stop()

    def _need_idle(self) -> None:
        if self._watch is not None or self._phase:
            raise InputError(_("The station is already looking; end that first."))

    def _start(self) -> None:
        self._ticker = Ticker("commissioning", self._turn, LOOK_S, clock=self._clock)
        self._ticker.start()

    def _turn(self) -> None:
        heard = self._heard()
        with self._lock:
            watch, at = self._watch, fold(self._past)
            if self._phase:
                for pan in PANS:
                    self._row(heard, pan)
                return
        if watch is None:
            return
        for what, source in watch.take(heard):
            fresh = (
                source not in at.seen if what == "seen" else source in at.seen and source not in at.released
            )
            if fresh:
                self._tell({"step": Step.DEVICES, "what": what, "source": source})

    def _row(self, heard: Mapping[str, Any], pan: str) -> None:
        count, now_s = heard.get(pan), self._clock()
        rows = self._rows.setdefault(pan, [])
        late = not rows or now_s - rows[-1][0] >= ROW_S
        whole = bool(rows) and now_s - rows[0][0] > REST_LONGEST_S
        if isinstance(count, int | float) and late and not whole:
            air = heard.get("air_c")
            air_c = float(air) if isinstance(air, int | float) else None
            rows.append((now_s, self._kg_of(pan, float(count)), air_c))

    def _tell(self, body: dict[str, Any]) -> None:
        self._enter(body)
        with self._lock:
            self._past.append(body)
