"""Density from a known volume. Water is the outside judge: its density is Tanaka's, whatever vessel it is weighed in."""

import math

import pytest

from calibration.buoyancy import air_density
from calibration.density_measured import GLASS_PER_C, measure
from calibration.montecarlo import propagate as draw
from calibration.water import water_density

FLASK = {
    "volume_l": 0.5, "u_volume_l": 0.00025, "empty_kg": 0.140, "u_weighing_kg": 0.0005, "u_slope_rel": 0.0005,
    "temperature_c": 20.0, "u_temperature_c": 0.5, "expansion_per_c": 7.0e-4, "air_density_kg_m3": 1.2,
}  # fmt: skip


def test_a_flask_of_water_gives_the_density_of_water() -> None:
    """Indicated mass worked out from Tanaka 2001 by hand: W = ρV (1 − a/ρ) / (1 − a/8000)."""
    air = float(air_density(20.0, 101325.0, 0.5))
    for at_c in (15.0, 20.0, 30.0):
        rho = float(water_density(at_c))
        volume_m3 = 0.0005 * (1.0 + GLASS_PER_C * (at_c - 20.0))
        indicated_kg = rho * volume_m3 * (1.0 - air / rho) / (1.0 - air / 8000.0)
        found = measure(
            **{**FLASK, "full_kg": 0.140 + indicated_kg, "temperature_c": at_c, "air_density_kg_m3": air}
        )
        assert found.value == pytest.approx(rho, rel=1e-12)


def test_the_budget_of_a_half_litre_flask_by_hand() -> None:
    found = measure(**FLASK, full_kg=0.580)
    parts = {term.name: term.u for term in found.terms}
    rho = found.value
    assert rho == pytest.approx(0.440 * (1 - 1.2 / 8000.0) / 0.0005 + 1.2, rel=1e-12)
    assert parts["volume"] == pytest.approx(rho * 0.0005, rel=2e-3)
    assert parts["full vessel"] == pytest.approx(rho * 0.0005 / 0.440, rel=2e-3)
    assert parts["empty vessel"] == parts["full vessel"]
    assert parts["scale slope"] == pytest.approx(rho * 0.0005, rel=2e-3)
    assert parts["fluid temperature"] == pytest.approx(rho * 7.0e-4 * 0.5, rel=2e-3)
    assert parts["air density"] == pytest.approx(0.01 * (1 - rho / 8000.0), rel=1e-2)
    assert found.u / rho < 0.0025  # far below the half per cent of an unknown used fluid


def test_weighings_that_cannot_be_are_refused() -> None:
    with pytest.raises(ValueError, match="expected the full one to be heavier"):
        measure(**FLASK, full_kg=0.139)
    with pytest.raises(ValueError, match="volume of the vessel"):
        measure(**{**FLASK, "volume_l": 0.0}, full_kg=0.58)
    with pytest.raises(ValueError, match="temperature of the fluid"):
        measure(**{**FLASK, "temperature_c": 400.0}, full_kg=0.58)


def test_drawing_all_inputs_gives_the_same_doubt() -> None:
    found = measure(**FLASK, full_kg=0.580)
    inputs = {
        "v": (0.5, 0.00025, math.inf), "e": (0.14, 0.0005, math.inf), "f": (0.58, 0.0005, math.inf),
        "s": (1.0, 0.0005, math.inf), "t": (0.0, 0.5, math.inf), "a": (1.2, 0.01, math.inf),
    }  # fmt: skip
    drawn = draw(
        inputs,
        lambda i: (
            ((i["f"] - i["e"]) * i["s"] * (1 - i["a"] / 8000) / (i["v"] / 1000) + i["a"])
            * (1 + 7e-4 * i["t"])
        ),
        trials=200_000,
    )
    assert found.u == pytest.approx(drawn.sd, rel=0.02)
