"""Which control charts somebody should look at first: where one instrument explains the others' signals, it alone, and never a
person."""

from collections.abc import Sequence

from station.learning.quality import NEXT_DRAIN, SubjectChart

INSTRUMENTS = (NEXT_DRAIN, "meter")
"""What the pan says of a meter goes before what the level says of it."""
EXPLAINS = 0.5
"""A chart is explained where so many of its signals, as a share, fall on fills of a meter that signals itself."""


def look_first(charts: Sequence[SubjectChart]) -> list[SubjectChart]:
    """Of charts that signal lately: each meter once, then what no such meter explains."""
    signalling = [one for one in charts if one.recent]
    meters: dict[str, SubjectChart] = {}
    for dimension in INSTRUMENTS:
        for one in signalling:
            if one.dimension == dimension:
                meters.setdefault(one.name, one)
    through = {
        job for one in charts if one.dimension in INSTRUMENTS and one.name in meters for job in one.job_ids
    }
    others = [
        one
        for one in signalling
        if one.dimension not in (*INSTRUMENTS, "technician") and not _explained(one, through)
    ]
    return [*meters.values(), *others]


def _explained(one: SubjectChart, through: set[str]) -> bool:
    at = {one.job_ids[signal.index] for signal in one.chart.signals}
    return len(at & through) >= EXPLAINS * len(at)
