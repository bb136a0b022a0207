"""Recompute a job from its raw samples."""

from collections.abc import Iterable

from hardware.sample import Sample
from station.core.state import BayState
from station.core.step import finish, step
from station.given.job import JobSpec


def replay(spec: JobSpec, samples: Iterable[Sample]) -> BayState:
    """The state after the last sample, with what was missing in its notices."""
    state = BayState(spec)
    for sample in samples:
        state, _ = step(state, sample)
    return finish(state)
