"""What the stream's sources are called in a sentence."""

from collections.abc import Mapping

NAMES: Mapping[str, str] = {
    "pan": "Pan",
    "meter": "Meter",
    "meter_b": "Meter, second train",
    "pump": "Pump",
    "guard": "Pump guard",
    "pendant": "Pendant",
    "stop_open": "Hard-wired stop",
    "fluid_drained_c": "Thermometer, drained fluid",
    "fluid_supply_c": "Thermometer, supply",
    "air_c": "Thermometer, air",
    "container": "Container's scale",
}


def name(source: str) -> str:
    """A source's name as a sentence begins with it; one without a name by its key, without underscores."""
    return NAMES.get(source, source.replace("_", " ").capitalize())
