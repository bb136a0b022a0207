"""When a fill may be proved at the lip, by the shop's rule."""

from typing import Literal

import pytest

from station.bay.checklist import HOSE, ITEMS, STAND, Next, is_done, items, mark_of, next_marks
from station.common.evolve import evolve
from station.core import lip
from station.core.amounts import delivered_l, target_l
from station.core.state import with_hold
from station.errors import InputError
from station.given.said import Mark
from station.given.settings import Settings
from station.given.stages import Stage
from tests.soak.fills import Fill, spec_of
from tests.station.core.test_lip import PUMP, filled, proof_of, prove


def offered(fill: Fill) -> dict[str, Next]:
    return {n.mark: n for n in next_marks(fill.state, frozenset())}


def test_nobody_is_told_to_trust_a_jack() -> None:
    texts = [item.text for item in ITEMS[Stage.PLAN]]
    assert [text for text in texts if "jack" in text] == [
        "Vehicle level on rated stands, wheels chocked. Never rely on a jack alone."
    ]


def test_it_is_offered_once_the_target_is_reached_and_not_while_one_is_under_way() -> None:
    fill = Fill(spec_of("75W-90", 0.4, PUMP), 20.0, 1)
    assert offered(fill)["lip_proof"].why == "first: fill to the target"
    fill = filled()
    assert offered(fill)["lip_proof"].why is None
    fill.put("mark", "lip_proof")
    assert "lip_proof" not in offered(fill)
    fill.put("mark", "fill_done")
    assert offered(fill)["lip_proof"].why is None


def test_a_fill_that_stopped_early_for_what_may_be_uncounted_can_be_proved() -> None:
    fill = Fill(spec_of("75W-90", 0.4, PUMP), 20.0, 1)
    left_l = target_l(fill.state) - delivered_l(fill.state)
    for unsure_l, why in ((left_l - 0.03, "first: fill to the target"), (left_l - 0.01, None)):
        hold = evolve(fill.state.pump.hold, unsure_l=unsure_l)
        fill.state = with_hold(fill.state, hold)
        assert offered(fill)["lip_proof"].why == why


def test_a_fill_that_is_found_short_in_the_leak_watch_can_still_be_topped_up() -> None:
    """Closing it was refused with "top up before the vehicle leaves", and nothing on the page led back to the pump."""
    fill = Fill(spec_of("75W-90", 0.4, PUMP), 20.0, 1)
    fill.put("mark", "plug_in")
    assert [*offered(fill)][:2] == ["close", "fill_start"]
    fill.put("mark", "fill_start")
    assert (fill.state.stage, fill.state.fill.end, fill.state.weighing.leak) == (Stage.FILL, None, None)
    fill.fill()
    assert delivered_l(fill.state) == pytest.approx(target_l(fill.state), abs=0.015)


def test_a_spirit_level_is_ticked_before_the_plug_goes_in_and_nothing_waits_for_it() -> None:
    fill = filled()
    assert STAND in items(fill.state)
    fill.put("mark", "fill_done")
    assert STAND in items(fill.state)
    assert offered(fill)["plug_in"].why is None
    assert mark_of(fill.state, Mark.STANDS_LEVEL, False) is None
    fill.put("mark", str(mark_of(fill.state, Mark.STANDS_LEVEL, True)))
    assert is_done(fill.state, STAND, frozenset())
    assert mark_of(fill.state, Mark.STANDS_LEVEL, True) is None
    fill.put("mark", str(mark_of(fill.state, Mark.STANDS_LEVEL, False)))
    assert not is_done(fill.state, STAND, frozenset())
    fill.put("mark", "stands_level")
    fill.put("mark", "level_seen")
    with pytest.raises(InputError, match="stays in the recording"):
        mark_of(fill.state, Mark.STANDS_LEVEL, False)
    fill.put("mark", "plug_in")
    assert STAND not in items(fill.state)


def test_a_hose_is_ticked_before_the_fill_is_done_and_nothing_waits_for_it() -> None:
    fill = filled()
    assert HOSE in items(fill.state)
    assert offered(fill)["fill_done"].why is None
    fill.put("mark", str(mark_of(fill.state, Mark.HOSE_FULL, True)))
    assert is_done(fill.state, HOSE, frozenset())
    fill.put("mark", "fill_done")
    assert HOSE not in items(fill.state)


@pytest.mark.parametrize("rule", ["ask", "always", "never"])
def test_the_shops_rule_decides_whether_the_plug_waits_for_it(
    rule: Literal["ask", "always", "never"],
) -> None:
    fill = filled(bay=Settings(lip_proof=rule))
    fill.put("mark", "fill_done")
    plug = offered(fill)["plug_in"].why
    assert ("lip_proof" in offered(fill)) == (rule != "never")
    assert (plug is not None) == (rule == "always")
    if rule == "always":
        assert prove(fill).ended == lip.OVER
        fill.put("mark", "fill_done")
        assert offered(fill)["plug_in"].why is None


def test_a_shop_that_proves_always_is_not_stuck_where_the_proof_fails() -> None:
    fill = filled(short_l=0.5, bay=Settings(lip_proof="always", lip_proof_most_l=0.03))
    prove(fill)
    assert proof_of(fill).ended == lip.NOTHING
    fill.put("mark", "fill_done")
    assert offered(fill)["plug_in"].why is None
