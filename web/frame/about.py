"""What stands behind each figure of a job, for whoever asks: what it is, how it is measured, and by which source."""

from dataclasses import dataclass

from station.common.words import N_

DRAINED = N_(
    "What came out, at the reference temperature. The pan weighs it; mass becomes volume by the fluid's density at its temperature (lubricants by API MPMS 11.1), with the air's buoyancy allowed for (OIML D 28)."
)
LEFT_TO_DRIP = N_(
    "What would still come if the drain stayed open. It is read from the drip itself: a film on a wall thins with the root of time (Jeffreys, 1930)."
)
METERED = N_(
    "What the meter at the pump counted: pulses by the K-factor of its proving, at this flow and this viscosity (ASTM D341), brought to the reference temperature. Air that was seen in the line is taken off."
)
OVERFLOW = N_("What ran back into the pan during the fill, weighed like what was drained.")
FILLED = N_("Metered less overflow: what stayed in the compartment.")
EXPECTED = N_(
    "What should go in: the listed capacity less what this way of emptying leaves behind, weighted with the shop's own fills of this compartment whose level was borne out at the plug."
)
LISTED = N_("As it was entered for this job, from the vehicle's service manual or the catalogue.")
LEAK = N_(
    "How fast the pan grew heavier once the plug was in, less its own drift. If something in the pan was drying before and has stopped, that looks the same: then it is left open which of the two it is. A smaller leak than the limit would not have been seen in that time."
)
TO_GO = N_(
    "Target less what is filled so far. The pump is told to stop a little before, by as much as it has been seen to run on."
)
U95 = N_(
    "The true value lies within with about 95 % probability (JCGM 100, coverage factor by degrees of freedom)."
)


@dataclass(frozen=True)
class About:
    """name: by which a figure on the page leads here."""

    name: str
    label: str
    text: str


LIVE = (
    About("drained", N_("Drained"), DRAINED),
    About("to_come", N_("Still to come"), LEFT_TO_DRIP),
    About("expected", N_("Expected fill"), EXPECTED),
    About("filled", N_("Filled"), FILLED),
    About("metered", N_("Metered"), METERED),
    About("overflow", N_("Overflow"), OVERFLOW),
    About("to_go", N_("To go"), TO_GO),
    About("leak", N_("Leak watch"), LEAK),
    About("u95", N_("±, U95"), U95),
)
"""The figures of the bay's page, as they come in a job."""
