"""A bay with two pans.

What is worked out of a pan's stream is written once, for the pan that a state is about: ``weighing``, ``drain``, base and
end of its ``fill``, ``spec.pan``. The other pan stands in ``other``, and to deal with it the two change places. So both go
through the same code, each with its own line, noise, steps, drip, drift and doubt, and a bay with one pan never gets here.
What belongs to the job stays where it is: stage, meter, pump, what was said. Old fluid may come into either pan, and so
may what runs over; sums are made where figures are (``station.figures.weighed``). A stage that the pans' flow ends waits
for both.
"""

from collections.abc import Callable

from station.common.evolve import evolve
from station.common.words import _
from station.core.state import BayState, OtherPan
from station.given.sources import name
from station.weighing.steps import Step

SOURCE = "pan_b"


def fitted(state: BayState) -> bool:
    """Whether the bay has two pans."""
    return state.spec.pan_b is not None


def swapped(state: BayState) -> BayState:
    """The same bay with its two pans in each other's place; swapped once more it is as before.

    Raises ValueError for a bay with one pan.
    """
    spec, settings, fill, other = state.spec, state.settings, state.fill, state.other
    if spec.pan_b is None:
        raise ValueError("the bay has one pan; expected a job with a [pan_b] table")
    return evolve(
        state,
        spec=evolve(spec, pan=spec.pan_b, pan_b=spec.pan),
        settings=evolve(settings, pan_room_l=settings.pan_b_room_l, pan_b_room_l=settings.pan_room_l),
        weighing=other.weighing,
        drain=other.drain,
        fill=evolve(fill, base=other.base, end=other.end, overflow_at_l=other.overflow_at_l),
        telling=evolve(state.telling, notices=other.told),
        other=OtherPan(
            state.weighing, state.drain, fill.base, fill.end, fill.overflow_at_l, state.telling.notices
        ),
    )


def on_second(state: BayState, act: Callable[[BayState], BayState]) -> BayState:
    """What an act on the second pan makes of the bay. The job's notices name that pan."""
    seen = act(swapped(state))
    new = seen.telling.notices[len(state.other.told) :]
    state = swapped(seen)
    if not new:
        return state
    named = tuple(evolve(notice, text=in_its_name(notice.text)) for notice in new)
    return evolve(state, telling=evolve(state.telling, notices=(*state.telling.notices, *named)))


def owns(step_id: str) -> bool:
    """Whether a step was on the second pan."""
    return step_id.startswith("b")


def in_its_name(text: str) -> str:
    """A sentence about the second pan, which is written as about any pan."""
    sensor = name(SOURCE)
    return text if text.startswith(f"{sensor}:") else _("{sensor}: {text}").format(sensor=sensor, text=text)


def steps_since(before: BayState, now: BayState) -> tuple[Step, ...]:
    """What has come or gone on either pan from one state of a job to a later one."""
    first, second = len(before.weighing.steps), len(before.other.weighing.steps)
    return (*now.weighing.steps[first:], *now.other.weighing.steps[second:])


def pans(state: BayState) -> tuple[BayState, ...]:
    """The bay as each of its pans sees it, the first one first."""
    return (state, swapped(state)) if fitted(state) else (state,)


Check = Callable[[BayState], str | None]
"""Says what it found, in a sentence about any pan."""


def of_second(check: Check) -> Check:
    """A check of a pan, made of the second one; it finds nothing where there is none."""

    def of(state: BayState) -> str | None:
        found = check(swapped(state)) if fitted(state) else None
        return None if found is None else in_its_name(found)

    return of


def of_either(check: Check) -> Check:
    """A check of a pan, made of each that the bay has."""
    second = of_second(check)

    def of(state: BayState) -> str | None:
        found = check(state)
        return second(state) if found is None else found

    return of
