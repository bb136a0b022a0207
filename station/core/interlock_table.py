"""What keeps the pump off, and what only warns: one table, each with its cause and its remedy.

``stops`` says that the pump is switched off, stays off until every control is let go, and starts again only when
somebody holds again. ``trips`` also opens the second cut-off, where one is fitted, which a person has to clear.
``reason`` lets a person go on in spite of it, with a reason for the record. The rest is a warning: the pump runs on.
``station.core.interlocks`` has the check of each.
"""

from dataclasses import dataclass

from station.common.words import N_


@dataclass(frozen=True)
class Interlock:
    """word: for the pump's line on the page. cause and remedy: sentences for the notice. do: what to do, short enough to stand behind
    the word, of what keeps the pump from starting."""

    word: str
    cause: str
    remedy: str
    stops: bool = True
    trips: bool = False
    reason: bool = False
    do: str = ""


TABLE: dict[str, Interlock] = {
    # before it starts, and as long as it runs
    "stop_pressed": Interlock(
        N_("the stop button is pressed"),
        N_("The hard-wired stop is open."),
        N_("Find out why it was pressed. Release it, let go of the pendant, then hold again."),
        do=N_("Find out why, then release it."),
    ),
    "wrong_grade": Interlock(
        N_("wrong grade"),
        N_("The fluid at the pump is not what this compartment should get."),
        N_("Change the container, or plan the job again with a reason; see the vehicle's service manual."),
        reason=True,
        do=N_("Change the container, or give a reason on this page."),
    ),
    "hose_holds": Interlock(
        N_("the hose holds another grade"),
        N_("It would go into the compartment first."),
        N_("Purge the hose into a waste vessel, or give a reason to go on."),
        reason=True,
        do=N_("Purge the hose, or give a reason on this page."),
    ),
    "supply_cold": Interlock(
        N_("the fluid is too thick for the pump"),
        N_("A fluid this thick strains the pump and starves its suction."),
        N_("Warm the container; do not force it."),
        do=N_("Warm the container."),
    ),
    "pan_missing": Interlock(
        N_("the pan is missing"),
        N_("Whatever runs over at the plug would land on the floor unweighed."),
        N_("Put the pan back below the plug."),
        do=N_("Put the pan back below the plug."),
    ),
    "pan_full": Interlock(
        N_("the pan is full"),
        N_("Anything more that runs over at the plug would spill over the rim."),
        N_("Empty the pan, put it back, and go on."),
        do=N_("Empty the pan and put it back."),
    ),
    "flow_while_stopped": Interlock(
        N_("fluid flows with the pump off"),
        N_("Likely a siphon, a leaking valve or a stuck relay."),
        N_(
            "Press the hard-wired stop, close the valve at the container, then look at the check valve and the relay."
        ),
        trips=True,
        do=N_("Press the hard-wired stop."),
    ),
    "pump_stays_on": Interlock(
        N_("the pump does not switch off"),
        N_("Its pin still reads on after the stop command."),
        N_("Press the hard-wired stop; check the relay and its wiring."),
        trips=True,
    ),
    # while it runs
    "no_flow": Interlock(
        N_("no flow"),
        N_("The drum is dry, the hose is kinked, or there is an air lock."),
        N_("Check the drum, the suction strainer and the hose."),
    ),
    "flow_low": Interlock(
        N_("too little flow"),
        N_(
            "The drum may be running dry, the strainer clogged, the hose kinked or the pump worn, or the meter may be losing pulses."
        ),
        N_("Check the strainer and the hose. Check the meter by weighing before you go on filling."),
    ),
    "flow_high": Interlock(
        N_("more flow than the pump can do"),
        N_("There is air in the line, or noise on the meter's wire: not all that the meter counts is fluid."),
        N_(
            "Look for a loose suction joint, bleed the line and check the meter's wiring. Then weigh what went in, or drain and fill again."
        ),
    ),
    "too_long": Interlock(
        N_("running too long"),
        N_("It should have got there long before this."),
        N_("Find out where the fluid is going. Check the strainer, the hose and the meter."),
    ),
    "sensor_silent": Interlock(
        N_("the meter is silent"),
        N_("Without it the fill is not measured."),
        N_("Check the meter's cable and connector."),
    ),
    "meters_differ": Interlock(
        N_("the meter's two trains disagree"),
        N_("One of them is losing or gaining pulses, so the figure is uncertain by half of the difference."),
        N_("Check both wires for noise and loose contacts; prove the meter."),
    ),
    "runs_over": Interlock(
        N_("fluid runs over at the plug"),
        N_(
            "The level is at the plug although the target is not reached: the listed capacity may be wrong, old fluid may have stayed behind, or fluid is slow to reach the axle tubes."
        ),
        N_(
            "Wait until it stops running. If the vehicle is level and fluid still stands at the plug, mark level seen. If the level drops, go on in small steps."
        ),
    ),
    "over_target": Interlock(
        N_("over the target"),
        N_("The pump stopped too late, or fluid kept flowing."),
        N_("With the vehicle level, let the excess run out at the plug."),
    ),
    # told, and no more
    "air": Interlock(
        N_("air in the line"),
        N_("The meter ran faster than the steady flow: air went through it."),
        N_(
            "The air was estimated and taken off the figure, and the uncertainty is wider for it. Check the suction side."
        ),
        stops=False,
    ),
    "flow_unlike": Interlock(
        N_("the flow is not what it was"),
        N_(
            "The meter may be losing or gaining pulses, the strainer clogging or the pump wearing, or this is not the fluid stated."
        ),
        N_("Check the meter by weighing before you trust this fill, then prove the meter."),
        stops=False,
    ),
    "container_grew": Interlock(
        N_("the container weighs more than before"),
        N_("A pump only takes: it is another container, or something stands on the scale."),
        N_(
            "What it weighs says nothing of this fill. Clear the scale, and let a little run over the lip, or look at the level."
        ),
        stops=False,
    ),
    "drum_low": Interlock(
        N_("the drum will not last"),
        N_("By the count, less is left than this job needs."),
        N_("Have the next container ready."),
        stops=False,
    ),
    "hose_asks": Interlock(
        N_("the hose holds another fluid"),
        N_("It is the same grade, or its grade is not known."),
        N_("If it must not go into this compartment, purge the hose into a waste vessel first."),
        stops=False,
    ),
    "pan_small": Interlock(
        N_("the pan will not take all"),
        N_("What is more runs over its rim, or is not weighed."),
        N_(
            "Take a larger pan, or close the drain half way, empty the pan and put it back. Where the drain cannot be closed, have a second vessel ready."
        ),
        stops=False,
    ),
    "pan_nearly_full": Interlock(
        N_("the pan is nearly full"),
        N_("The pan has little room left."),
        N_("Have a second vessel ready, or close the drain and empty the pan."),
        stops=False,
    ),
    "pan_b_nearly_full": Interlock(
        N_("the second pan is nearly full"),
        N_("The pan has little room left."),
        N_("Have a second vessel ready, or close the drain and empty the pan."),
        stops=False,
    ),
    "supply_jump": Interlock(
        N_("the supply temperature jumped"),
        N_("Fluid in a container cannot change so fast: the thermometer or its unit is wrong."),
        N_("Check the thermometer before you trust the volumes."),
        stops=False,
    ),
}
