"""What a purge of the hose came to, as a sentence for the record."""

from station.common.digits import number
from station.common.words import _
from station.core import amounts
from station.core.state import BayState
from station.filling.hose import clinging_l


def purged_text(before: BayState, state: BayState) -> str:
    purged_ml = (state.supply.purged_l - before.supply.purged_l) * 1000.0
    hose = state.spec.hose
    clinging_ml = clinging_l(amounts.hose_held_l(state), state.meter.total_l) * 1000.0
    purged = number(purged_ml, ".0f")
    if hose is None or clinging_ml < 1.0:
        return _("the hose was purged with {purged_ml} mL into a waste vessel").format(purged_ml=purged)
    return _(
        "the hose was purged with {purged_ml} mL into a waste vessel; about {clinging_ml} mL of {fluid} may still line it"
    ).format(purged_ml=purged, clinging_ml=number(clinging_ml, ".0f"), fluid=hose.fluid or _("the old fluid"))
