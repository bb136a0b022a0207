"""Recompute a job from its raw samples."""

from collections.abc import Iterable

from hardware.sample import Sample
from station.core import finish, step
from station.job import JobSpec
from station.state import BayState


def replay(spec: JobSpec, samples: Iterable[Sample]) -> BayState:
    """The state after the last sample, with what was missing in its notices."""
    state = BayState(spec)
    for sample in samples:
        state, _ = step(state, sample)
    return finish(state)
