"""The invented depot's vehicles as they were built. What somebody types for a job or a catalogue changes none of it."""

import hashlib

FLEET_L = {
    ("Bus 12", "rear axle"): 2.915,
    ("Bus 12", "transfer case"): 1.792,
    ("Bus 7", "gearbox"): 2.948,
}
"""Vehicle and compartment → volume up to the lip of the fill plug at 20 °C, litres. The demo bay lists the same three,
rounded as plates are."""

OTHERS_L = (1.75, 2.35, 2.62, 2.915, 3.4, 4.3)
"""Sizes of vehicles that nobody listed here: by its names each has one of them, and keeps it."""


def volume_l(vehicle: str, compartment: str) -> float:
    """True volume of one compartment. A vehicle without a name is Bus 12 on its rear axle."""
    if not vehicle and not compartment:
        return FLEET_L["Bus 12", "rear axle"]
    known = FLEET_L.get((vehicle, compartment))
    if known is not None:
        return known
    digest = hashlib.sha256(f"{vehicle}\n{compartment}".encode()).digest()
    return OTHERS_L[digest[0] % len(OTHERS_L)]
