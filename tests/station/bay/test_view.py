"""The view of the bay: what a page may rely on in every stage."""

from station.bay import view
from station.core.state import BayState
from station.rehearsing.rehearse import read_scenario


def test_the_idle_view_has_the_keys_of_a_jobs_view() -> None:
    state = BayState(read_scenario(None).spec)
    job = view.state_view(state, frozenset()) | {"job": view.job_view(state, "j1")}
    assert view.idle_view({}).keys() == job.keys()
