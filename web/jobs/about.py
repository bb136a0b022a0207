"""What stands behind each figure of a job, for whoever asks: what it is, how it is measured, and by which source."""

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
    "How fast the pan grew heavier once the plug was in, less its own drift. A smaller leak than the limit would not have been seen in that time."
)
