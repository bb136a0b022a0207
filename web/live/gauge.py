"""Where things stand in the drawings. Pure geometry in the drawings' own units; templates and scripts only place it.

The fill is drawn as a measuring flask: a wide body that fills quickly, and a narrow neck that spreads out the last
part, where the tolerance lies. So a few hundredths of a litre can be seen from where the technician lies.
"""

from station.bay.views import FiguresView, JobView

Geometry = dict[str, dict[str, float | str]]

TOP, NECK_BASE, BOTTOM = 14.0, 196.0, 330.0
"""Heights in the flask's drawing: the scale's top, where body becomes neck, the floor. y grows downward."""
NECK_TOLERANCES = 2.5
"""The neck shows this many tolerances either side of the expected fill."""
LEAST_NECK = 0.3
"""The neck never starts below this share of the expected fill, so that the body keeps a meaning."""
KNEE_OF_LISTED, KNEE_AT = 0.85, 0.35
"""The drain bar's scale changes at this share of the listed capacity, drawn at this share of its length."""


def _clamp(value: float, low: float, high: float) -> float:
    return max(low, min(high, value))


class Flask:
    """Volume in litres → height in the drawing."""

    def __init__(
        self, expected_l: float, tolerance_minus_l: float, tolerance_plus_l: float, target_l: float
    ) -> None:
        self.neck_l = max(expected_l - NECK_TOLERANCES * tolerance_minus_l, LEAST_NECK * expected_l)
        above = max(expected_l + NECK_TOLERANCES * tolerance_plus_l, target_l + tolerance_plus_l)
        self.top_l = max(above, self.neck_l * 1.001, 1e-6)

    def y(self, volume_l: float) -> float:
        if volume_l <= self.neck_l:
            share = _clamp(volume_l / self.neck_l, 0.0, 1.0) if self.neck_l > 0 else 1.0
            return round(BOTTOM - share * (BOTTOM - NECK_BASE), 2)
        share = _clamp((volume_l - self.neck_l) / (self.top_l - self.neck_l), 0.0, 1.0)
        return round(NECK_BASE - share * (NECK_BASE - TOP), 2)


def flask(job: JobView, figures: FiguresView, target_l: float | None) -> Geometry:
    """The fill in its flask."""
    expected, minus, plus = job.expected_fill_l, job.tolerance_minus_l, job.tolerance_plus_l
    target = expected if target_l is None else target_l
    scale = Flask(expected, minus, plus, target)
    filled = figures.filled_l or 0.0
    u95 = figures.filled_u95_l or 0.0
    surface = scale.y(filled)
    high, low = scale.y(filled + u95), scale.y(filled - u95)
    upper, lower, stop = scale.y(expected + plus), scale.y(expected - minus), scale.y(target)
    return {
        "fluid": {"y": surface, "height": round(BOTTOM - surface, 2)},
        "surface": {"y1": surface, "y2": surface},
        "doubt": {"y": high, "height": round(max(low - high, 0.0), 2)},
        "doubt_high": {"y1": high, "y2": high},
        "doubt_low": {"y1": low, "y2": low},
        "doubt_stem": {"y1": high, "y2": low},
        "within": {"y": upper, "height": round(max(lower - upper, 0.0), 2)},
        "upper": {"y1": upper, "y2": upper},
        "upper_text": {"y": upper},
        "lower": {"y1": lower, "y2": lower},
        "lower_text": {"y": lower},
        "target": {"y1": stop, "y2": stop},
        "target_text": {"y": stop},
    }


def _percent(share: float) -> str:
    return f"{100.0 * _clamp(share, 0.0, 1.0):.1f}%"


def drain(job: JobView, figures: FiguresView) -> Geometry:
    """What has come and what is still to come. As in the flask's neck, the last part of the bar is spread out."""
    listed = job.listed_capacity_l
    drained = max(0.0, figures.drained_l or 0.0)
    ahead = max(0.0, figures.still_to_come_l or 0.0)
    doubt = figures.still_to_come_u95_l or 0.0
    knee = KNEE_OF_LISTED * listed
    full = max(listed * 1.08, drained + ahead + doubt, 1e-6)

    def at(volume_l: float) -> float:
        if volume_l <= knee:
            return KNEE_AT * volume_l / max(knee, 1e-9)
        return KNEE_AT + (1.0 - KNEE_AT) * (volume_l - knee) / (full - knee)

    start, end = at(drained), at(drained + ahead)
    return {
        "drained": {"width": _percent(start)},
        "ahead": {"x": _percent(start), "width": _percent(end - start)},
        "ahead_doubt": {
            "x1": _percent(at(drained + max(0.0, ahead - doubt))),
            "x2": _percent(at(drained + ahead + doubt)),
        },
        "listed": {"x1": _percent(at(listed)), "x2": _percent(at(listed))},
    }


def timer(left_s: float, of_s: float) -> Geometry:
    """A bar that grows until the timer has run."""
    return {"timer": {"width": _percent(1.0 if of_s <= 0 else 1.0 - left_s / of_s)}}
