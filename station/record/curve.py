"""A job's recording as curves over time: pan, metered, flow, temperatures; thinned so that no peak is lost.

Values are read through the job's own lines. The metered curve is scaled to end at the figure that the report states, so
that no picture contradicts it; the pan is what it indicated. Thinning keeps the lowest and the highest value of each of so
many equal spans, so a knock of one sample still shows; a window with few enough samples comes whole.
"""

import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from hardware.sample import Sample
from station.given.lines import MeterLine, PanLine
from station.given.recording import PANS, TEMPERATURES
from station.given.said import Mark

FLOW_S = 2.0
"""Flow is the meter's gain over so long: a pulse is a few millilitres."""
POINTS, POINTS_MOST = 600, 5000
FILL_ENDS = ("plug_in", "close")

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Trace:
    """unit: as on its axis. exact: every sample of the window is there."""

    name: str
    unit: str
    t_s: tuple[float, ...]
    values: tuple[float, ...]
    exact: bool


@dataclass(frozen=True)
class Span:
    """from_s, to_s: a stage, or a run of the pump."""

    name: str
    from_s: float
    to_s: float


@dataclass(frozen=True)
class Curve:
    """Seconds count from the first sample. marks: what the technician marked. pump: while its relay was on."""

    from_s: float
    to_s: float
    whole_s: float
    traces: tuple[Trace, ...]
    marks: tuple[Span, ...]
    pump: tuple[Span, ...]

    def trace(self, name: str) -> Trace | None:
        return next((trace for trace in self.traces if trace.name == name), None)

    def to_dict(self) -> dict[str, Any]:
        return asdict(self)


@dataclass(frozen=True)
class Recording:
    """A job's samples by source, as arrays; start_s: the stream's time of the first."""

    start_s: float
    end_s: float
    numbers: Mapping[str, tuple[Array, Array]]
    marks: tuple[tuple[float, str], ...]


def recording(samples: Iterable[Sample]) -> Recording:
    """Sort a job's samples by source. One that carries no number where it should is left out."""
    times: dict[str, list[float]] = {}
    values: dict[str, list[float]] = {}
    marks: list[tuple[float, str]] = []
    first: float | None = None
    last = 0.0
    for sample in samples:
        first = sample.t_s if first is None else first
        last = sample.t_s
        if sample.source == "mark" and sample.value == Mark.TAKE_BACK:
            del marks[-1:]
        elif sample.source == "mark":
            marks.append((sample.t_s - first, str(sample.value)))
        elif sample.source in (*PANS, "meter", "pump", *TEMPERATURES) and not isinstance(sample.value, str):
            times.setdefault(sample.source, []).append(sample.t_s - first)
            values.setdefault(sample.source, []).append(float(sample.value))
    numbers = {name: (np.array(times[name]), np.array(values[name])) for name in times}
    start_s = 0.0 if first is None else first
    return Recording(start_s, last, numbers, tuple(marks))


def curve(
    rec: Recording,
    pan: PanLine,
    meter: MeterLine,
    metered_l: float | None,
    window_s: tuple[float, float] | None = None,
    points: int = POINTS,
    pan_b: PanLine | None = None,
) -> Curve:
    """pan_b: of a second pan. metered_l: what the report states; None where nothing was metered. window_s: from and to; the whole without it."""
    whole_s = max(0.0, rec.end_s - rec.start_s)
    from_s, to_s = window_s or (0.0, whole_s)
    found: list[tuple[str, str, Array, Array]] = []
    for name, line in (("pan", pan), ("pan_b", pan_b)):
        if line is not None and name in rec.numbers:
            t_s, counts = rec.numbers[name]
            found.append((name, "kg", t_s, (counts - line.zero_count) * line.kg_per_count))
    found += _metered(rec, meter, metered_l)
    found += [(name, "°C", *rec.numbers[name]) for name in TEMPERATURES if name in rec.numbers]
    traces = tuple(
        _thin(name, unit, t_s, values, (from_s, to_s), points) for name, unit, t_s, values in found
    )
    marks = _spans([(t_s, name) for t_s, name in rec.marks], whole_s)
    return Curve(from_s, to_s, whole_s, traces, marks, _pump(rec, whole_s))


def _metered(
    rec: Recording, meter: MeterLine, metered_l: float | None
) -> list[tuple[str, str, Array, Array]]:
    begun = next((t_s for t_s, name in rec.marks if name == "fill_start"), None)
    if "meter" not in rec.numbers or begun is None or metered_l is None:
        return []
    t_s, pulses = rec.numbers["meter"]
    ends = [t for t, name in rec.marks if name in FILL_ENDS and t > begun]
    end_s = ends[0] if ends else float(t_s[-1])
    during = (t_s >= begun) & (t_s <= end_s)
    if not during.any():
        return []
    t_s = t_s[during]
    litres = (pulses[during] - pulses[during][0]) / meter.k_factor_per_l
    if litres[-1] > 0:
        litres = litres * (metered_l / litres[-1])
    grid_s = np.arange(t_s[0], t_s[-1] + FLOW_S, FLOW_S)
    flow = np.diff(np.interp(grid_s, t_s, litres), prepend=0.0) / FLOW_S * 60.0
    return [("metered", "L", t_s, litres), ("flow", "L/min", grid_s, flow)]


def _thin(
    name: str, unit: str, t_s: Array, values: Array, window_s: tuple[float, float], points: int
) -> Trace:
    low = int(np.searchsorted(t_s, window_s[0], "left"))
    high = int(np.searchsorted(t_s, window_s[1], "right"))
    # One more on either side, so that a line runs on to the edge.
    low, high = max(0, low - 1), min(len(t_s), high + 1)
    t_s, values = t_s[low:high], values[low:high]
    if len(t_s) <= 2 * points:
        return Trace(name, unit, _tuple(t_s, 3), _tuple(values, 5), exact=True)
    cuts = np.linspace(0, len(t_s), points + 1).astype(int)
    keep: set[int] = {0, len(t_s) - 1}
    for begin, end in itertools.pairwise(int(cut) for cut in cuts):
        part = values[begin:end]
        keep |= {begin + int(part.argmin()), begin + int(part.argmax())}
    chosen = np.array(sorted(keep))
    return Trace(name, unit, _tuple(t_s[chosen], 3), _tuple(values[chosen], 5), exact=False)


def _tuple(values: Array, digits: int) -> tuple[float, ...]:
    return tuple(round(float(v), digits) for v in values)


def _spans(begun: Sequence[tuple[float, str]], end_s: float) -> tuple[Span, ...]:
    ends = [*(t_s for t_s, _ in begun[1:]), end_s]
    return tuple(Span(name, t_s, to_s) for (t_s, name), to_s in zip(begun, ends, strict=False))


def _pump(rec: Recording, whole_s: float) -> tuple[Span, ...]:
    found, on_s = [], None
    for t_s, value in zip(*rec.numbers.get("pump", ((), ())), strict=True):
        if value and on_s is None:
            on_s = float(t_s)
        elif not value and on_s is not None:
            found.append(Span("pump", on_s, float(t_s)))
            on_s = None
    if on_s is not None:
        found.append(Span("pump", on_s, whole_s))
    return tuple(found)
