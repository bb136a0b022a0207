"""The invented depot's vehicles as they were built. What somebody types for a job or a catalogue changes none of it."""

import hashlib

_BUILT_L = {
    "Bus 2": (2.908, 1.789, 2.941),
    "Bus 4": (2.921, 1.796, 2.935),
    "Bus 5": (2.903, 1.785, 2.952),
    "Bus 7": (2.911, 1.793, 2.948),
    "Bus 9": (2.918, 1.790, 2.929),
    "Bus 11": (2.899, 1.798, 2.944),
    "Bus 12": (2.915, 1.792, 2.939),
    "Bus 14": (2.924, 1.787, 2.933),
    "Bus 16": (2.906, 1.795, 2.946),
    "Bus 18": (2.913, 1.791, 2.937),
}
"""Vehicle → volumes up to the lip of the fill plug at 20 °C, litres: rear axle, transfer case, gearbox."""
FLEET_L = {
    (vehicle, part): built_l
    for vehicle, sizes_l in _BUILT_L.items()
    for part, built_l in zip(("rear axle", "transfer case", "gearbox"), sizes_l, strict=True)
}
"""Vehicle and compartment → its volume. Listings have them rounded, as plates are."""

WORN_REL = -0.0256
"""How far the depot's meter is from what its file says by today: its gears have worn, and it counts less of what passes."""

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
