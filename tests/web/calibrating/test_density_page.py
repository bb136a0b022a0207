"""The page of a density's measurement: what it asks for, what it shows, and what it sends on."""

import re
from collections.abc import Callable

import pytest

from station.calibrating.density_desk import DensityPlan, Vessel
from tests.station.calibrating.test_density_desk import PLAN, Bench, whole
from tests.web.conftest import Bay
from tests.web.fake_desks import calibration_of
from tests.web.fake_engine import FakeEngine, measuring


def shown(open_bay: Callable[..., Bay], bench: Bench) -> str:
    engine = FakeEngine()
    engine.calibrations.current = calibration_of(None, density=bench.desk.view())
    html = open_bay(engine).html("/calibration").text
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html)).replace("\u00a0", " ")


def test_it_asks_for_one_weighing_after_the_other_with_its_caution(open_bay: Callable[..., Bay]) -> None:
    bench = Bench(DensityPlan("used", None, 0.0005, "glass"))
    text = shown(open_bay, bench)
    assert "Put the clean, dry, empty vessel on the pan" in text
    assert "Hot oil burns" in text
    assert "°C" not in text[text.index("Put the clean") : text.index("Weigh it now")]
    bench.weigh(Vessel.EMPTY, 0.182)
    text = shown(open_bay, bench)
    assert "182.0 g" in text
    assert "Fill it with tap water up to the mark" in text
    assert "Temperature in the vessel, °C" in text


def test_a_result_is_shown_with_its_doubt_and_offered(open_bay: Callable[..., Bay]) -> None:
    text = shown(open_bay, whole(Bench()))
    assert re.search(r"88[345]\.\d ± \d\.\d kg/m³ at 21\.0 °C", text)
    assert "as far as the density goes" in text
    assert "Enter it for Used oil" in text
    from_coarse = shown(open_bay, whole(Bench(DensityPlan("used", 0.5, 0.02, "glass"))))
    assert "nothing would be gained" in from_coarse
    assert "Enter it for" not in from_coarse


@pytest.mark.parametrize(
    ("path", "body", "call"),
    [
        ("begin", {"fluid": "used", "volume": "500 mL", "within": "1 mL"}, ("begin_density", PLAN)),
        ("weigh", {"vessel": "full", "temperature": "21,5"}, ("weigh_vessel", Vessel.FULL, 21.5)),
        ("weigh", {"vessel": "empty"}, ("weigh_vessel", Vessel.EMPTY, None)),
        ("save", {"by": " M. Okafor "}, ("save_density", "M. Okafor")),
    ],
)
def test_what_is_typed_is_sent_on(
    bay: Bay, path: str, body: dict[str, str], call: tuple[object, ...]
) -> None:
    assert bay.post(f"/api/density/{path}", body).status_code == 200
    assert bay.engine.calls == [call]


@pytest.mark.parametrize(
    ("path", "body", "words"),
    [
        ("begin", {"fluid": "used", "volume": "500"}, "Volume up to the mark: "),
        ("weigh", {"vessel": "full", "temperature": "hot"}, "expected °C from −20 to 100"),
        ("save", {"by": " "}, "Say who measured it"),
    ],
)
def test_nonsense_is_refused(bay: Bay, path: str, body: dict[str, str], words: str) -> None:
    reply = bay.post(f"/api/density/{path}", body)
    assert reply.status_code == 400
    assert words in reply.text
    assert bay.engine.calls == []


def test_the_job_page_leads_to_it(bay: Bay) -> None:
    job_id = next(iter(bay.engine.records))
    narrows = "80 % of the doubt is the used fluid's density."
    bay.engine.records[job_id] = measuring(bay.engine.records[job_id], narrows=narrows)
    assert 'href="/calibration#density"' in bay.html(f"/jobs/{job_id}").text
    assert 'id="density"' in bay.html("/calibration").text
