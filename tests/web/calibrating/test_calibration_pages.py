"""The calibration pages: what they ask for next, what they show, what they send on, and how they refuse."""

import html
import json
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import pytest

from calibration.certificates import Kind, Reference
from station.calibrating.calibrating import PAN_STEPS, CertificateEntry, PanStep, Reading, Run
from station.errors import InputError
from tests.web.conftest import Bay
from tests.web.fake_desks import CERTIFICATES, calibration_of
from tests.web.fake_engine import FakeEngine
from tests.web.fake_views import view_of
from web.calibrating import calibration_contexts as contexts
from web.calibrating import guide, register
from web.live.live import live

LOADS = guide.parse_loads("2 kg, 500 g, 1 kg")
TODAY = date(2026, 11, 25)


def _reading(step: str, load_kg: float, place: str = "", t_s: float = 100.0) -> Reading:
    return Reading(PanStep(step), load_kg, 84213 + load_kg / 4.761e-6, 24.0, t_s, place)


RUN = Run(pulses=201, mass_kg=0.4355, temperature_c=15.0, flow_l_min=2.4, u_mass_kg=0.0001)


@pytest.fixture
def at(open_bay: Callable[..., Bay]) -> Callable[..., Bay]:
    """A bay whose engine is in the middle of a calibration."""

    def build(kind: Kind | None, **changes: Any) -> Bay:
        engine = FakeEngine(view_of("idle"))
        engine.calibrations.current = calibration_of(kind, **changes)
        return open_bay(engine)

    return build


# --- what comes next ---------------------------------------------------------------------------------------


def _walk(chosen: str | None = None) -> list[tuple[str, str, str]]:
    readings: list[Reading] = []
    asked: list[tuple[str, str, str]] = []
    for _ in range(60):
        _, ask = guide.parts(LOADS, readings, chosen)
        if ask is None:
            return asked
        asked.append((ask.step, ask.load.text, ask.place))
        readings.append(_reading(ask.step, ask.load.kg, ask.place))
    pytest.fail("the guide asks for ever")


def test_the_guide_goes_up_down_and_through_every_part_of_the_station() -> None:
    asked = _walk()
    assert asked[:7] == [("up", t, "") for t in ("0 kg", "500 g", "1 kg", "2 kg")] + [
        ("down", t, "") for t in ("1 kg", "500 g", "0 kg")
    ]
    assert list(dict.fromkeys(step for step, _, _ in asked)) == list(PAN_STEPS)
    assert [place for step, _, place in asked if step == "corner"] == list(guide.CORNERS)
    assert {load for step, load, _ in asked if step == "creep"} == {"2 kg"}


def test_a_chosen_part_comes_first_and_the_rest_after_it() -> None:
    assert [step for step, _, _ in _walk("corner")][:6] == ["corner"] * 5 + ["creep"]


def test_a_reading_that_was_struck_is_asked_for_again() -> None:
    readings = [_reading("up", kg) for kg in (0.0, 1.0, 2.0)]
    parts, ask = guide.parts(LOADS, readings, None)
    assert ask is not None
    assert (ask.step, ask.load.text) == ("up", "500 g")
    assert (parts[0].taken, parts[0].wanted, parts[0].done) == (3, 4, False)


def test_a_load_of_the_persons_own_counts_for_nothing_that_was_asked() -> None:
    parts, _ = guide.parts(LOADS, [_reading("up", 0.75)], None)
    assert parts[0].taken == 0


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "0 were given"),
        ("1 kg", "1 were given"),
        ("1 kg, 2", "2"),
        ("0 kg, 1 kg", "empty pan"),
        ("1 kg, 1000 g", "the same"),
        ("-1 kg, 2 kg", "Loads"),
        (", ".join(f"{n} kg" for n in range(1, 20)), "19 were given"),
    ],
)
def test_loads_that_make_no_sense_are_refused_with_a_sentence(text: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        guide.parse_loads(text)


# --- what is shown -----------------------------------------------------------------------------------------


def test_between_calibrations_the_page_says_what_is_in_use_and_what_ran_out(bay: Bay) -> None:
    text = bay.html("/calibration").text
    assert "Bay 1 pan 1. Valid until 2099-11-02." in text
    assert "Bay 1 meter 1. Ran out on 2026-11-01." in text
    assert 'href="/calibration/Bay%201%20pan%201"' in text
    assert "Begin with the pan" in text
    assert "K-factor 402.5 pulses/L" in text


def test_a_bay_without_certificates_says_so(at: Callable[..., Bay]) -> None:
    text = at(None, certificates=()).html("/calibration").text
    assert text.count("no certificate") == 2
    assert "values of the bay&#39;s configuration" in text


@pytest.mark.parametrize(
    ("valid_until", "in_use", "valid", "state", "tone"),
    [
        ("2027-11-25", True, True, "in use", "good"),
        ("2026-12-25", True, True, "in use, due in 30 days", "soon"),
        ("2026-11-26", True, True, "in use, due in 1 day", "soon"),
        ("2026-11-25", True, True, "in use, due in 0 days", "soon"),
        ("2026-11-24", True, False, "in use, due", "due"),
        ("2027-11-25", False, True, "earlier", "none"),
        ("2026-11-24", False, False, "ran out", "none"),
    ],
)
def test_where_a_certificate_stands(
    valid_until: str, in_use: bool, valid: bool, state: str, tone: str
) -> None:
    row = replace(calibration_of().certificates[0], valid_until=valid_until, in_use=in_use, valid=valid)
    shown = register.row_of(row, TODAY)
    assert (shown.state, shown.tone) == (state, tone)


def test_the_pan_page_asks_for_one_load_and_its_button_sends_just_that(at: Callable[..., Bay]) -> None:
    bay = at("pan", readings=[_reading("up", 0.0)])
    bay.post("/api/calibration/pan", {"loads": "500 g, 1 kg, 2 kg"})
    text = bay.html("/calibration").text
    assert "Have 500 g on the pan" in text
    found = re.search(r"data-path=\"/api/calibration/read\" data-body='([^']+)'", text)
    assert found is not None
    body = json.loads(html.unescape(found[1]))
    assert body == {"step": "up", "load": "500 g", "place": ""}
    assert bay.post("/api/calibration/read", body).status_code == 200
    assert bay.engine.calls[-1] == ("read", PanStep.UP, 0.5, "")


def test_a_part_can_be_chosen(at: Callable[..., Bay]) -> None:
    bay = at("pan", readings=[])
    assert "at the front left corner" not in bay.html("/calibration?step=corner").text
    assert "in the middle" in bay.html("/calibration?step=corner").text
    assert bay.html("/calibration?step=nonsense").status_code == 200


def test_the_page_judges_calm_by_the_stations_own_measure(at: Callable[..., Bay]) -> None:
    text = at("pan", readings=[_reading("up", 0.0)]).html("/calibration").text
    noise = re.search(r'data-noise-g="([\d.]+)"', text)
    wanted = re.search(r'data-wanted-g="([\d.]+)"', text)
    empty = re.search(r'data-empty-g="([\d.-]+)"', text)
    assert noise is not None
    assert wanted is not None
    assert empty is not None
    assert float(noise[1]) == pytest.approx(3 * 25 * 4.761e-3)  # three times 25 counts of the demo bay
    assert float(wanted[1]) == 500.0
    assert float(empty[1]) == pytest.approx(0.0, abs=1e-6)


def test_what_was_struck_stays_in_sight_with_its_reason(at: Callable[..., Bay]) -> None:
    bay = at("pan", readings=[_reading("up", 0.0), _reading("up", 0.5)])
    bay.post("/api/calibration/strike", {"index": "1", "reason": "a <hose> leaned on it"})
    bay.engine.calibrations.current = calibration_of("pan", readings=[_reading("up", 0.0)])
    text = bay.html("/calibration").text
    assert "Struck out:</strong> a &lt;hose&gt; leaned on it" in text
    assert "500 g" in re.sub(r"(?s).*class=\"struck\"", "", text)
    bay.post("/api/calibration/pan", {"loads": "1 kg, 2 kg"})
    assert "leaned on it" not in bay.html("/calibration").text


def test_a_refused_strike_is_not_shown_as_struck(at: Callable[..., Bay]) -> None:
    bay = at("pan", readings=[_reading("up", 0.0)])
    bay.engine.fail = InputError("Name an existing reading and the reason why it is left out.")
    assert bay.post("/api/calibration/strike", {"index": "0", "reason": " "}).status_code == 400
    assert 'class="struck"' not in bay.html("/calibration").text


def test_each_run_shows_its_k_factor(at: Callable[..., Bay]) -> None:
    """The demo bay's gear oil has 871.0 kg/m³ at 15 °C: 435.5 g are 0.5 L, and 201 pulses are 402 to the litre."""
    bay = at("meter", runs=[RUN, replace(RUN, pulses=202)])
    assert "402.00" not in bay.html("/calibration").text
    bay.post("/api/calibration/meter", {"fluid": "gear_75w90", "volume": "500 mL"})
    text = bay.html("/calibration").text
    assert "402.00 pulses/L" in text
    assert "404.00 pulses/L" in text
    assert "Mean 403.00 pulses/L; the runs lie within 0.496 %." in text
    assert "Begin run 3" in text
    assert "Enough runs" not in text


@dataclass
class Dense:
    density: float

    def density_kg_m3(self, temperature_c: float, /) -> float:
        return self.density


def test_a_k_factor_needs_a_fluid() -> None:
    assert contexts.k_factor_per_l(RUN, None) is None
    assert contexts.k_factor_per_l(RUN, Dense(871.0)) == pytest.approx(402.0)


def test_an_open_run_has_the_control_and_a_closed_one_has_not(at: Callable[..., Bay]) -> None:
    opened = at("meter", run_open=True, runs=[RUN]).html("/calibration").text
    assert 'data-run="open"' in opened
    assert "Run 2: hold to run until 0.50 L" in opened
    assert "Weigh run 2" in opened
    closed = at("meter", runs=[RUN] * 5).html("/calibration").text
    assert 'data-run="open"' not in closed
    assert "Enough runs for a certificate" in closed
    for text in (opened, closed):
        assert "not an emergency stop" in text
        assert "safety data sheet" in text


def test_the_certificate_form_of_a_proving_begins_with_the_pans_certificate(at: Callable[..., Bay]) -> None:
    text = at("meter", runs=[RUN] * 5).html("/calibration").text
    for value in ("Bay 1 pan", "435.5 g", "Bay 1 pan 1", "2099-11-02", "0.044 g"):
        assert f'value="{value}"' in text, value


def test_the_certificate_form_of_a_pan_begins_with_the_heaviest_load(at: Callable[..., Bay]) -> None:
    text = at("pan", readings=[_reading("up", kg) for kg in (0.0, 0.5, 4.0)]).html("/calibration").text
    assert re.search(r'name="use_to"[^>]*value="4 kg"', text)
    assert re.search(r'name="air_c"[^>]*value="19.8"', text)


@pytest.mark.parametrize("kind", [None, "pan", "meter"])
def test_every_mark_of_what_moves_has_a_value(at: Callable[..., Bay], kind: str | None) -> None:
    shown, text = live(view_of("fill")), at(kind).html("/calibration").text
    assert set(re.findall(r'data-text="([^"]+)"', text)) <= shown.text.keys()
    assert set(re.findall(r'data-show="([^"]+)"', text)) <= shown.flag.keys()
    assert set(re.findall(r'data-html="([^"]+)"', text)) <= shown.html.keys()


def test_only_a_simulated_bay_has_weights_to_put_on(open_bay: Callable[..., Bay]) -> None:
    assert 'id="bench"' in open_bay().html("/calibration").text
    assert 'id="bench"' not in open_bay(FakeEngine(backend="pi")).html("/calibration").text


# --- certificates ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("certificate", CERTIFICATES, ids=lambda c: c.kind)
def test_a_certificate_is_shown_whole_and_its_twin_carries_its_check_sum(bay: Bay, certificate: Any) -> None:
    text = html.unescape(bay.html(f"/calibration/{certificate.number}").text)
    assert certificate.to_text().strip() in text
    twin = bay.send("GET", f"/calibration/{certificate.number}.json").json()
    assert twin["sha256"] == certificate.digest
    assert json.dumps(twin["certificate"], sort_keys=True) == json.dumps(
        json.loads(certificate.to_json()), sort_keys=True
    )


@pytest.mark.parametrize("path", ["/calibration/Bay 9 pan 1", "/calibration/Bay 9 pan 1.json"])
def test_an_unknown_certificate_is_not_found(bay: Bay, path: str) -> None:
    reply = bay.send("GET", path)
    assert reply.status_code == 404
    assert reply.json()["title"] == "No such certificate"


def test_the_register_has_its_twin(bay: Bay) -> None:
    assert bay.send("GET", "/calibration.json").json() == json.loads(json.dumps(calibration_of().to_dict()))


# --- what is sent on ---------------------------------------------------------------------------------------

FINISH = {
    "made_by": "S. Adebayo-Reyes",
    "valid_until": "2027-11-25",
    "references": [
        {"name": "set W3", "value": "2 kg", "u": "0.02 g", "certificate": "W3-0417", "valid_until": ""},
        {"name": " ", "value": "", "u": "", "certificate": "", "valid_until": ""},
    ],
    "use_from": "0 kg",
    "use_to": "4 kg",
    "air_c": "−1.5",
    "remarks": "",
    "replaces": "",
}


def test_the_finish_form_arrives_without_what_was_left_empty(bay: Bay) -> None:
    reply = bay.post("/api/calibration/finish", FINISH)
    assert reply.status_code == 200, reply.text
    assert reply.json()["go"] == "/calibration/Bay%201%20meter%201"  # the newest of the register
    entry = CertificateEntry(
        made_by="S. Adebayo-Reyes",
        valid_until="2027-11-25",
        references=(Reference("set W3", 2.0, 0.00002, "kg", "W3-0417"),),
        use_from_kg=0.0,
        use_to_kg=4.0,
        air_c=-1.5,
    )
    assert bay.engine.calls == [("finish", entry)]


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"use_to": "4"}, "Used to: "),
        ({"use_from": "heavy"}, "Used from: "),
        ({"references": [{"name": "set W3", "value": "2", "u": "0.02 g"}]}, "Reference 1, value: "),
        ({"references": [{"name": "set W3", "value": "2 kg"}]}, "Reference 1, u: "),
    ],
)
def test_a_mass_that_is_none_is_refused_by_its_name(bay: Bay, changes: dict[str, Any], said: str) -> None:
    reply = bay.post("/api/calibration/finish", {**FINISH, **changes})
    assert reply.status_code == 400
    assert reply.json()["text"].startswith(said)
    assert bay.engine.calls == []


def test_a_meters_certificate_states_no_range_of_masses(bay: Bay) -> None:
    bay.post("/api/calibration/finish", {**FINISH, "use_from": "", "use_to": ""})
    ((_, entry),) = bay.engine.calls
    assert (entry.use_from_kg, entry.use_to_kg) == (0.0, None)


@pytest.mark.parametrize("air_c", ["warm", "nan", "inf", "200", "18:5"])
def test_an_air_temperature_that_is_none_is_refused(bay: Bay, air_c: str) -> None:
    reply = bay.post("/api/calibration/finish", {**FINISH, "air_c": air_c})
    assert reply.status_code == 400
    assert air_c in reply.json()["text"]
    assert bay.engine.calls == []


@pytest.mark.parametrize(
    ("turn", "action"), [("begin", "begin_run"), ("end", "end_run"), ("drop", "drop_run")]
)
def test_a_run_is_begun_weighed_or_dropped(bay: Bay, turn: str, action: str) -> None:
    assert bay.post("/api/calibration/run", {"turn": turn}).status_code == 200
    assert bay.engine.calls[-1] == (action,)


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("/api/calibration/run", {"turn": "drop"}),
        ("/api/calibration/abandon", {"reason": "the drum is empty"}),
    ],
)
def test_giving_a_run_up_stops_the_pump_first_and_ends_the_hold(
    bay: Bay, path: str, body: dict[str, Any]
) -> None:
    bay.post("/api/hold", {"held": True, "grip": "g1"})
    assert bay.post(path, body).status_code == 200
    assert bay.engine.calls[:3] == [("hold", True), ("stop",), ("hold", False)]
    assert bay.engine.calls[3][0] in ("drop_run", "abandon_calibration")
    assert bay.post("/api/hold", {"held": True, "grip": "g1"}).status_code == 409


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("/api/calibration/run", {"turn": "again"}),
        ("/api/calibration/strike", {"index": "-1", "reason": "x"}),
        ("/api/calibration/strike", {"index": "1.5", "reason": "x"}),
        ("/api/calibration/read", {"step": "up"}),
        ("/api/calibration/read", {"step": "sideways", "load": "1 kg"}),
        ("/api/calibration/finish", {**FINISH, "references": [{"name": "x"}] * 21}),
        ("/api/calibration/finish", {**FINISH, "references": {}}),
    ],
)
def test_what_is_not_understood_changes_nothing(bay: Bay, path: str, body: dict[str, Any]) -> None:
    assert bay.post(path, body).status_code == 422
    assert bay.engine.calls == []


def test_loads_that_cannot_be_read_begin_nothing(bay: Bay) -> None:
    reply = bay.post("/api/calibration/pan", {"loads": "500, 1000"})
    assert reply.status_code == 400
    assert "Loads" in reply.json()["text"]
    assert bay.engine.calls == []


def test_a_refused_beginning_keeps_what_is_under_way(at: Callable[..., Bay]) -> None:
    bay = at("pan", readings=[_reading("up", 0.0)])
    bay.post("/api/calibration/pan", {"loads": "1 kg, 3 kg"})
    bay.engine.fail = InputError("A calibration is under way on this bay. Finish or abandon it first.")
    assert bay.post("/api/calibration/pan", {"loads": "7 kg, 9 kg"}).status_code == 400
    assert "Have 1 kg on the pan" in bay.html("/calibration").text


def test_a_bay_with_two_pans_calibrates_either_and_shows_both(at: Callable[..., Bay]) -> None:
    bay = at(None)
    assert "second pan" not in bay.html("/calibration").text.lower()
    plain = bay.engine.settings()
    bay.engine.settings = lambda: replace(plain, pan_b=plain.pan)  # type: ignore[method-assign]
    page = bay.html("/calibration").text
    assert "Second pan" in page
    assert 'name="pan" value="pan_b"' in page
    assert bay.post("/api/calibration/pan", {"loads": "1 kg, 2 kg", "pan": "pan_b"}).status_code < 300
    assert ("begin_pan", "pan_b") in bay.engine.calls
