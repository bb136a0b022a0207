"""The first five minutes of somebody who opens the simulated depot: one job, then four things to find by themselves.

The words alone; ``guide.js`` remembers on the device how far somebody is.
"""

from dataclasses import dataclass

from station.common.words import N_


@dataclass(frozen=True)
class Step:
    """short: what the way to it is called. path: the page that it belongs to. found: what a last step may give away, each with where to see it."""

    name: str
    short: str
    path: str
    title: str
    texts: tuple[str, ...]
    found: tuple[tuple[str, str], ...] = ()


STEPS = (
    Step(
        "job",
        N_("Bay"),
        "/",
        N_("One job, start to finish"),
        (
            N_(
                "Nothing here is real: an invented bus depot, with two invented years in its record. Pick Bus 12 rear axle, say "
                "who you are, and open it. The box at the foot of the screen always has the next action."
            ),
            N_(
                "The bench panel at the end of the page is your hands: open the drain there, close it, put the plug in. Time: "
                "faster shortens the waits. In the fill, hold the run button."
            ),
            N_("A job may be left open and gone back to."),
        ),
    ),
    Step(
        "jobs",
        N_("Jobs"),
        "/jobs",
        N_("What a job leaves behind"),
        (
            N_(
                "Every job of the two years stands here, yours on top. Open one: what came out, what went in, how sure that is, "
                "its curve, and a sheet to print."
            ),
        ),
    ),
    Step(
        "quality",
        N_("Quality"),
        "/quality",
        N_("The quality lead's morning"),
        (
            N_(
                "Something went wrong in these two years, more than once. Which fills came up short, and what do they have in "
                "common?"
            ),
            N_("Then the charts, by meter: a steady instrument keeps to its band. Does yours? Since when?"),
        ),
    ),
    Step(
        "usage",
        N_("Usage"),
        "/usage",
        N_("The manager's month"),
        (
            N_(
                "What left the containers, against what reached the vehicles. A dipstick is rough and a scale is not, so each "
                "difference has its doubt beside it. One container loses more than any doubt explains. Go back month by month: "
                "when did it begin?"
            ),
        ),
    ),
    Step(
        "due",
        N_("Service due"),
        "/due",
        N_("What cannot wait"),
        (
            N_(
                "The most urgent service stands on top, with its reason. Look at the buses' earlier jobs too: one axle comes in "
                "with less in it than went in, every time."
            ),
        ),
    ),
    Step(
        "expected",
        N_("Expected fills"),
        "/expected",
        N_("What is listed, and what goes in"),
        (
            N_(
                "The shop learns from its own fills what a compartment really takes. One listing cannot be right. Whose is it, "
                "and how could somebody have read it so?"
            ),
        ),
    ),
    Step(
        "found",
        N_("The answers"),
        "/expected",
        N_("Found them all?"),
        (N_("Five things were hidden in the two years. Look for yourself before you open the list."),),
        (
            (
                N_(
                    "Three gearboxes were let go before the target at the end of a late shift, and are short to this day."
                ),
                "/quality",
            ),
            (
                N_(
                    "The meter's gears wear: for nine months it has counted less and less of what passes. Prove it."
                ),
                "/quality/chart?of=meter+against+the+next+drain&name=Bay+1+meter",
            ),
            (
                N_(
                    "For five months somebody has been taking transmission fluid from the keg, a litre or so at a time."
                ),
                "/usage",
            ),
            (
                N_(
                    "The rear axle of Bus 9 leaks: its last three visits found it low, and the leak watch saw it drip."
                ),
                "/jobs?vehicle=Bus+9",
            ),
            (
                N_("The new gearbox of Bus 16 was listed in imperial pints; its plate says US pints."),
                "/jobs?vehicle=Bus+16",
            ),
        ),
    ),
)
