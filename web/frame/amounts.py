"""What a person types with a unit → a number. Parsed here once; from here on it is a number with its unit in its name."""

from station.common.units import parse_mass_kg, parse_volume_l
from station.errors import InputError


def mass_kg(name: str, text: str) -> float:
    """``"500 g"`` → 0.5. Raises InputError naming the field, the value and what is expected."""
    try:
        return parse_mass_kg(text)
    except ValueError as error:
        raise InputError(f"{name}: {error}") from error


def volume_l(name: str, text: str, country: str | None = None) -> float:
    """``"2 US quart"`` → 1.893. country: "us" or "imperial" for a bare pint. Raises InputError as ``mass_kg``."""
    try:
        return parse_volume_l(text, country)
    except ValueError as error:
        raise InputError(f"{name}: {error}") from error
