"""What the stream's sources are called in a sentence."""

from collections.abc import Mapping

from station.common.words import N_, _

NAMES: Mapping[str, str] = {
    "pan": N_("Pan"),
    "pan_b": N_("Second pan"),
    "meter": N_("Meter"),
    "meter_b": N_("Meter, second train"),
    "pump": N_("Pump"),
    "guard": N_("Pump guard"),
    "pendant": N_("Pendant"),
    "stop_open": N_("Hard-wired stop"),
    "fluid_drained_c": N_("Thermometer, drained fluid"),
    "fluid_supply_c": N_("Thermometer, supply"),
    "air_c": N_("Thermometer, air"),
    "container": N_("Container's scale"),
    "interruption": N_("Question after the stop"),
}


def name(source: str) -> str:
    """A source's name as a sentence begins with it; one without a name by its key, without underscores."""
    return _(NAMES[source]) if source in NAMES else source.replace("_", " ").capitalize()
