"""A certificate on one page: verdict, readings against the result with their U95, table; as plain text beneath."""

import random
import re
from dataclasses import replace
from datetime import date
from io import BytesIO

from pypdf import PdfReader

from calibration.certificates import Certificate, Reference
from calibration.fluid import Fluid
from station.calibrating.calibrating import Form, PanStep, Reading, Run, meter_certificate, pan_certificate
from station.calibrating.views import RegisterRow
from web.calibrating.register import CertificatePage, certificate_page
from web.calibrating.residuals import HEIGHT, residuals
from web.frame.render import render
from web.jobs.pdf import pdf_of

TODAY = date(2026, 11, 26)
ZERO, KG_PER_COUNT = 84213.0, 4.761e-6
FLUID = Fluid("lubricant", density_15_kg_m3=871.0, kv40_mm2_s=115.0, kv100_mm2_s=15.2)
FORM = Form(
    "Bay 1 pan 2",
    "Bay 1 pan",
    "2026-11-20T08:10:00+00:00",
    "S. Adebayo-Reyes",
    "2027-11-20",
    (Reference("weights, set W3", 6.0, 0.00003, "kg", "W3-0417", "2027-05-01"),),
    {"air °C": 18.0},
    use_to_kg=6.0,
)


def pan(off_g: float = 0.0) -> Certificate:
    """off_g: what one reading, at 3 kg, shows too much."""
    rng = random.Random(4)
    loads = [0.0, 0.5, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0]
    readings: list[Reading] = []
    for _ in range(16):
        readings.append(Reading(PanStep.CREEP, 6.0, ZERO + 6.0 / KG_PER_COUNT, 24.0, 130.0 * len(readings)))
    for step, order in ((PanStep.UP, loads), (PanStep.DOWN, loads[::-1])):
        for kg in order:
            g = off_g if (step, kg) == (PanStep.UP, 3.0) else 0.0
            count = ZERO + (kg + g / 1000.0) / KG_PER_COUNT + rng.gauss(0.0, 12.0)
            readings.append(Reading(step, kg, count, 24.0, 10.0 * len(readings), temperature_c=18.0))
    return pan_certificate(readings, FORM)


def meter() -> Certificate:
    rng = random.Random(5)
    runs = []
    for n in range(6):
        pulses = round(201.0 * rng.gauss(1.0, 0.0004) * 10)
        runs.append(
            Run(pulses, 2010 / 402.5 * FLUID.density_kg_m3(20.0) / 1000.0, 20.0 + 0.1 * n, 2.4, 0.0002)
        )
    return meter_certificate(
        runs, FLUID, replace(FORM, number="Bay 1 meter 2", instrument="Bay 1 meter"), 0.0002
    )


def page(certificate: Certificate) -> CertificatePage:
    return certificate_page(certificate, RegisterRow.of(certificate, f"{TODAY}", True), TODAY)


def test_a_pans_readings_stand_within_the_band_and_one_that_was_disturbed_outside() -> None:
    sound, wrong = residuals(pan()), residuals(pan(off_g=40.0))
    assert sound is not None
    assert wrong is not None
    assert len(sound.dots) == 16
    assert sound.told.startswith("All 16 readings lie within the band of U95; the farthest is 0.")
    assert "15 of 16 readings" in wrong.told
    assert "above at 3 kg" in wrong.told
    farthest = max(wrong.dots, key=lambda dot: abs(dot.y - wrong.zero_y))
    assert farthest.y < wrong.zero_y, "too much is above zero"
    ys = [float(pair.split(",")[1]) for pair in wrong.band.split()]
    assert farthest.y < min(ys), "and outside the band"
    assert all(0.0 <= y <= HEIGHT for y in ys)


def test_a_meters_runs_are_drawn_against_their_mean() -> None:
    found = page(meter())
    assert found.residuals is not None
    assert [tick.text for tick in found.residuals.across] == ["1", "2", "3", "4", "5", "6"]
    assert re.match(r"Proved: 40\d\.\d\d ± \d\.\d\d pulses/L\. All 6 readings", found.verdict)


def test_no_number_on_paper_needs_an_exponent_and_it_is_one_page() -> None:
    html = render("certificate.html", page=page(pan()))
    paper = html.partition('<article class="paper')[2].partition("</article>")[0]
    assert not re.search(
        r"\de[-+]\d\d", re.sub(r"<svg.*?</svg>", "", paper, flags=re.S).partition("Chosen form")[0]
    )
    assert "0.5 kg" not in paper
    assert "<td>500 g</td>" in paper
    made = pdf_of(html, "letter")
    pages = PdfReader(BytesIO(made)).pages
    assert len(pages) == 1
    text = pages[0].extract_text()
    assert "Calibration of the pan" in text
    assert "Check sum" in text
