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
        "Find out why it was pressed. Release it, let go of the pendant, then hold again.",
    ),
    "wrong_grade": Interlock(
        "wrong grade",
        "The fluid at the pump is not the grade that this compartment takes.",
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
        "Whatever runs over at the plug would land on the floor unweighed.",
        "Put the pan back below the plug.",
    ),
    "pan_full": Interlock(
        "the pan is full",
        "Anything more that runs over at the plug would spill over the rim.",
        "Empty the pan, put it back, and go on.",
    ),
    "flow_while_stopped": Interlock(
        "fluid flows with the pump off",
        "Likely a siphon, a leaking valve or a stuck relay.",
        "Press the hard-wired stop, close the valve at the container, then look at the check valve and the relay.",
        trips=True,
    ),
    "pump_stays_on": Interlock(
        "the pump does not switch off",
        "Its pin still reads on after the stop command.",
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
        "The drum may be running dry, the strainer clogged, the hose kinked or the pump worn, or the meter may be losing pulses.",
        "Check the strainer and the hose. Check the meter by weighing before you go on filling.",
    ),
    "flow_high": Interlock(
        "more flow than the pump can do",
        "There is air in the line, or noise on the meter's wire: not all that the meter counts is fluid.",
        "Look for a loose suction joint, bleed the line and check the meter's wiring. Then weigh what went in, or drain and fill again.",
    ),
    "too_long": Interlock(
        "running too long",
        "It should have got there long before this.",
        "Find out where the fluid is going. Check the strainer, the hose and the meter.",
    ),
    "sensor_silent": Interlock(
        "the meter is silent",
        "Without it the fill is not measured.",
        "Check the meter's cable and connector.",
    ),
    "meters_differ": Interlock(
        "the meter's two trains disagree",
        "One of them is losing or gaining pulses, so the figure is uncertain by half of the difference.",
        "Check both wires for noise and loose contacts; prove the meter.",
    ),
    "runs_over": Interlock(
        "fluid runs over at the plug",
        "The level is at the plug although the target is not reached: the listed capacity may be wrong, old fluid may have "
        "stayed behind, or fluid is slow to reach the axle tubes.",
        "Wait until it stops running. If the vehicle is level and fluid still stands at the plug, mark level seen. If the "
        "level drops, go on in small steps.",
    ),
    "over_target": Interlock(
        "over the target",
        "The pump stopped too late, or fluid kept flowing.",
        "With the vehicle level, let the excess run out at the plug.",
    ),
    # told, and no more
    "air": Interlock(
        "air in the line",
        "The meter ran faster than the steady flow: air went through it.",
        "The air was estimated and taken off the figure, and the uncertainty is wider for it. Check the suction side.",
        stops=False,
    ),
    "flow_unlike": Interlock(
        "the flow is not what it was",
        "The meter may be losing or gaining pulses, the strainer clogging or the pump wearing, or this is not the fluid stated.",
        "Check the meter by weighing before you trust this fill, then prove the meter.",
        stops=False,
    ),
    "drum_low": Interlock(
        "the drum will not last",
        "By the count, less is left than this job needs.",
        "Have the next container ready.",
        stops=False,
    ),
    "hose_asks": Interlock(
        "the hose holds another fluid",
        "It is the same grade, or its grade is not known.",
        "If it must not go into this compartment, purge the hose into a waste vessel first.",
        stops=False,
    ),
    "pan_nearly_full": Interlock(
        "the pan is nearly full",
        "The pan has little room left.",
        "Have a second vessel ready, or close the drain and empty the pan.",
        stops=False,
    ),
    "supply_jump": Interlock(
        "the supply temperature jumped",
        "Fluid in a container cannot change so fast: the thermometer or its unit is wrong.",
        "Check the thermometer before you trust the volumes.",
        stops=False,
    ),
}
