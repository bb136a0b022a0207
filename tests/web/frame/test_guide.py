"""What stands on every page of a simulated bay, and the first look around where there is a past to look at."""

import re
from collections.abc import Callable

from tests.web.conftest import Bay
from tests.web.fake_engine import FakeEngine
from tests.web.fake_views import JOB_ID
from web.frame.guide import STEPS

PAGES = (
    "/", "/jobs", f"/jobs/{JOB_ID}", "/usage", "/quality", "/due", "/expected", "/setup", "/calibration", "/changes", "/people",
    "/commissioning", "/wall",
)  # fmt: skip


def test_every_page_of_a_simulated_bay_says_so_and_none_of_a_real_one(open_bay: Callable[..., Bay]) -> None:
    simulated, real = (open_bay(FakeEngine(backend=backend)) for backend in ("simulated", "pi"))
    for path in PAGES:
        assert simulated.html(path).text.count("badge simulated") == 1, path
        if path != f"/jobs/{JOB_ID}":  # the job itself may have been simulated
            assert "badge simulated" not in real.html(path).text, path
    named = simulated.send("GET", "/jobs.csv").headers["Content-Disposition"]
    assert 'filename="simulated-jobs.csv"' in named
    assert "simulated" not in real.send("GET", "/jobs.csv").headers["Content-Disposition"]


def test_a_first_look_around_is_offered_where_there_is_a_past_to_look_at(
    open_bay: Callable[..., Bay],
) -> None:
    engine = FakeEngine()
    assert "First look around" not in open_bay(engine).html("/").text
    engine.invented_past = True
    bay = open_bay(engine)
    for path in PAGES[:-1]:
        text = bay.html(path).text
        assert text.count('id="guide"') == 1, path
        assert 'id="guide-again"' in text, path


def test_its_steps_are_pages_of_the_station_and_only_the_last_gives_anything_away(bay: Bay) -> None:
    for step in STEPS:
        assert bay.html(step.path).status_code == 200, step.path
    assert [bool(step.found) for step in STEPS] == [False] * (len(STEPS) - 1) + [True]
    assert len({step.name for step in STEPS}) == len(STEPS)
    told = " ".join(text for step in STEPS for text in (step.title, *step.texts))
    given_away = ("Brightwell", "Bus 9", "Bus 16", "Keg", "imperial", "transmission")
    assert not [word for word in given_away if re.search(word, told)]
