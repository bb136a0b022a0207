"""OIML D 28:2004, conventional mass, and the buoyancy corrections that other standards print."""

import pytest

from calibration.buoyancy import conventional_mass, mass_from_conventional, mass_from_indication
from calibration.density import density_lubricant


def test_brass_and_aluminium() -> None:
    """Conventional mass of a kilogram, with decimal arithmetic from D 28's definition: a body that balances it in air of
    1.2 kg/m³ at 20 °C, made of 8000 kg/m³. Brass 8400 kg/m³ +7.1 mg, aluminium 2700 kg/m³ -294.5 mg."""
    assert (conventional_mass(1.0, 8400.0) - 1.0) * 1e6 == pytest.approx(7.144, abs=1e-3)
    assert (conventional_mass(1.0, 2700.0) - 1.0) * 1e6 == pytest.approx(-294.489, abs=1e-3)
    assert mass_from_conventional(1.0, 2700.0) == pytest.approx(1.000294576, abs=1e-9)


@pytest.mark.parametrize(
    ("density", "factor"), [(850, 1.0012635), (870, 1.0012310), (890, 1.0011999), (900, 1.0011849)]
)
def test_factor_for_oil_in_standard_air(density: float, factor: float) -> None:
    """Computed by independent code: leaving it out would be 0.12 % on every drained volume."""
    assert mass_from_indication(1.0, density, 1.2) == pytest.approx(factor, abs=6e-8)


def test_iso_4185_buoyancy_of_water() -> None:
    """ISO 4185: m = W (1 + e), e = ra (1/rho - 1/rp) = 1.06e-3 for water (the printed value from memory)."""
    factor = mass_from_indication(1.0, 1000.0, 1.21)
    assert factor - 1.0 == pytest.approx(1.06e-3, abs=5e-6)
    # the standard's e is the first order of the exact quotient
    assert factor - 1.0 == pytest.approx(1.0609e-3, rel=2e-3)


def test_indication_to_volume_of_warm_oil() -> None:
    """1000.00 g indicated, 880 kg/m³ at 15 °C, oil at 60 °C, air 1.2 kg/m³: computed by independent code."""
    warm = density_lubricant(880.0, 60.0)
    mass = mass_from_indication(1.0, warm, 1.2)
    assert mass * 1000.0 == pytest.approx(1001.26107, abs=6e-6)
    assert mass / 880.0 * 1e6 == pytest.approx(1137.79667, abs=6e-6)  # mL at 15 °C
    assert mass / warm * 1e6 == pytest.approx(1175.88817, abs=6e-6)  # mL at 60 °C
