"""The view of the bay: what a page may rely on in every stage."""

from station import view
from station.rehearse import read_scenario
from station.state import BayState


def test_the_idle_view_has_the_keys_of_a_jobs_view() -> None:
    state = BayState(read_scenario(None).spec)
    job = view.state_view(state, frozenset()) | {"job": view.job_view(state, "j1")}
    assert view.idle_view({}).keys() == job.keys()
