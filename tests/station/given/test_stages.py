"""The table of stages, told a second time as a technician would tell it: what leads on from where, and what leads nowhere."""

from collections.abc import Mapping

import pytest

from station.given import stages
from station.given.stages import Cause, Stage

ORDER = "plan drain drip reseal fill settle leak_watch".split()
"""Stages under way."""
LEADS: dict[str, dict[str, str]] = {
    # cause: {from: to}; from any other stage it leads nowhere
    "drain_open": dict.fromkeys(ORDER, "drain"),
    "drain_done": dict.fromkeys(ORDER, "reseal"),
    "flush": dict.fromkeys(ORDER, "reseal"),
    "reseal_done": dict.fromkeys(ORDER, "reseal"),
    "fill_start": dict.fromkeys(ORDER, "fill"),
    "lip_proof": {"fill": "fill", "settle": "fill"},
    "fill_done": dict.fromkeys(ORDER, "settle"),
    "plug_in": dict.fromkeys(ORDER, "leak_watch"),
    "close": dict.fromkeys(ORDER, "closed"),
    "abandon": dict.fromkeys(ORDER, "abandoned"),
    "bulk_ended": {"drain": "drip"},
    "bulk_again": {"drip": "drain"},
    "solvent_seen": {"drip": "reseal"},
}


def wrong() -> list[str]:
    """Every step of ``station.given.stages`` that is another one here."""
    found = []
    for cause in Cause:
        for stage in Stage:
            to = LEADS[cause.name.lower()].get(stage.name.lower())
            expected = stage if to is None else Stage[to.upper()]
            if stages.after(stage, cause) is not expected:
                found.append(f"{cause} in {stage}: expected {expected}")
    return found


def test_each_cause_leads_on_from_the_stages_that_it_may_and_from_no_other() -> None:
    assert wrong() == []
    assert set(LEADS) == {cause.name.lower() for cause in Cause}


def test_what_is_over_stays_over() -> None:
    assert {stages.after(over, cause) for over in stages.FINISHED for cause in Cause} == set(stages.FINISHED)


@pytest.mark.parametrize("cause", Cause)
def test_a_changed_table_is_noticed(cause: Cause, monkeypatch: pytest.MonkeyPatch) -> None:
    """One stage less, one more, or another end, of each row in turn."""
    origins, end = stages.TRANSITIONS[cause]
    leads_on = next(stage for stage in origins if stage is not end)
    others = frozenset(Stage) - origins
    elsewhere = Stage.PLAN if end is not Stage.PLAN else Stage.DRAIN
    for row in ((origins - {leads_on}, end), (origins | others, end), (origins, elsewhere)):
        changed: Mapping[Cause, tuple[frozenset[Stage], Stage]] = {**stages.TRANSITIONS, cause: row}
        monkeypatch.setattr(stages, "TRANSITIONS", changed)
        assert wrong() != [], row


def test_the_groups_hold_what_their_names_say() -> None:
    assert Stage.CLOSED not in stages.UNDER_WAY
    assert set(Stage) == stages.UNDER_WAY | stages.FINISHED
    assert stages.BEFORE_FILL < stages.NEEDS_FLUID
    assert stages.PUMPED.isdisjoint(stages.DRAINING | stages.HANDS_ON_PAN)
