"""What keeps the pump off, and what only warns: one table, each with its cause and its remedy.

``stops`` says that the pump is switched off, stays off until every control is let go, and starts again only when
somebody holds again. ``trips`` also opens the second cut-off, where one is fitted, which a person has to clear.
``reason`` lets a person go on in spite of it, with a reason for the record. The rest is a warning: the pump runs on.
``station.core.interlocks`` has the check of each.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Interlock:
    """word: for the pump's line on the page. cause and remedy: sentences for the notice."""

    word: str
    cause: str
    remedy: str
    stops: bool = True
    trips: bool = False
    reason: bool = False


TABLE: dict[str, Interlock] = {
    # before it starts, and as long as it runs
    "stop_pressed": Interlock(
        "the stop button is pressed",
        "The hard-wired stop is open.",
        "Find out why it was pressed; pull it out, let go of the pendant, then hold again.",
    ),
    "wrong_grade": Interlock(
        "wrong grade",
        "The container at the pump is not what the compartment takes.",
        "Change the container, or plan the job again with a reason; see the vehicle's service manual.",
        reason=True,
    ),
    "hose_holds": Interlock(
        "the hose holds another grade",
        "It would go into the compartment first.",
        "Purge the hose into a waste vessel, or give a reason to go on.",
        reason=True,
    ),
    "supply_cold": Interlock(
        "the fluid is too thick for the pump",
        "A fluid this thick strains the pump and starves its suction.",
        "Warm the container; do not force it.",
    ),
    "pan_missing": Interlock(
        "the pan is missing",
        "The pan weighs less than it did empty: what runs over at the plug would reach the floor unweighed.",
        "Put the pan back below the plug.",
    ),
    "pan_full": Interlock(
        "the pan is full",
        "What runs over at the plug would run over the pan.",
        "Empty the pan, put it back, and go on.",
    ),
    "flow_while_stopped": Interlock(
        "fluid flows with the pump off",
        "A siphon, a leaking valve or a relay that is stuck.",
        "Press the hard-wired stop, close the valve at the container, look at check valve and relay.",
        trips=True,
    ),
    "pump_stays_on": Interlock(
        "the pump does not go off",
        "The pump's pin reads on after it was told off.",
        "Press the hard-wired stop; check the relay and its wiring.",
        trips=True,
    ),
    # while it runs
    "no_flow": Interlock(
        "no flow",
        "The drum is dry, the hose is kinked, or there is an air lock.",
        "Check the drum, the suction strainer and the hose.",
    ),
    "flow_low": Interlock(
        "too little flow",
        "A drum that runs dry, a clogged strainer, a kinked hose, a worn pump, or a meter that loses pulses.",
        "Check the strainer and the hose; compare the meter by weighing before filling on.",
    ),
    "flow_high": Interlock(
        "more flow than the pump can do",
        "Air in the line, or noise on the meter's wire: what the meter counts is not all fluid.",
        "Look for a loose suction joint, bleed the line, check the meter's wiring; then weigh or drain and fill again.",
    ),
    "too_long": Interlock(
        "running too long",
        "The pump needs much longer than the target asks for.",
        "Look where the fluid goes; check strainer, hose and meter.",
    ),
    "sensor_silent": Interlock(
        "the meter is silent",
        "Nobody counts what flows.",
        "Check the meter's cable and connector.",
    ),
    "meters_differ": Interlock(
        "the meter's two trains disagree",
        "One of them loses or gains pulses: the figure is in doubt by half of the difference.",
        "Check both wires for noise and loose contacts; prove the meter.",
    ),
    "runs_over": Interlock(
        "fluid runs over at the plug",
        "The level stands at the plug, though the target is not reached: the listed capacity may be another, old fluid may "
        "have stayed, or the way to the tubes is narrow.",
        "Wait until it stops running. With the vehicle level and fluid still at the plug, mark level seen; if the level "
        "falls, go on in small steps.",
    ),
    "over_target": Interlock(
        "over the target",
        "The pump was stopped too late, or fluid flowed on.",
        "Let what is too much run out at the plug with the vehicle level.",
    ),
    # told, and no more
    "air": Interlock(
        "air in the line",
        "The meter spun faster than the steady flow: air passed it.",
        "It was estimated and taken out of the figure, which is in doubt by as much as stated. Check the suction side.",
        stops=False,
    ),
    "flow_unlike": Interlock(
        "the flow is unlike before",
        "A meter that loses or gains pulses, a strainer that clogs, a pump that wears, or another fluid than stated.",
        "Compare what the meter says by weighing before this fill is trusted; prove the meter.",
        stops=False,
    ),
    "drum_low": Interlock(
        "the drum will not last",
        "What is left by the count is less than this job needs.",
        "Have the next container at hand.",
        stops=False,
    ),
    "hose_asks": Interlock(
        "the hose holds another fluid",
        "It is of the same grade, or nobody knows what it is.",
        "Purge the hose into a waste vessel first, if it is not to go into this compartment.",
        stops=False,
    ),
    "pan_nearly_full": Interlock(
        "the pan is nearly full",
        "The pan takes little more.",
        "Have a second vessel ready, or close the drain and empty the pan.",
        stops=False,
    ),
    "supply_jump": Interlock(
        "the supply's temperature jumps",
        "No fluid in a container changes so fast: the thermometer or its unit is wrong.",
        "Check the thermometer before trusting volumes at the reference temperature.",
        stops=False,
    ),
}
