"""The dock: in every stage the one next action, the live figure, and what is missing."""

from dataclasses import replace

import pytest

from station.bay.views import BayView, LipView, MarkView
from station.given.said import Mark
from tests.web.fake_views import pump_of, view_of
from web.live.dock import Dock, dock
from web.live.live import live, outcome


def of(view: BayView) -> Dock:
    return dock(view, outcome(view))


def ticked(stage: str, **changes: object) -> BayView:
    view = view_of(stage, **changes)
    return replace(view, checklist=tuple(replace(item, done=True) for item in view.checklist))


def next_of(view: BayView) -> str:
    here = of(view)
    if here.tick is not None:
        return f"tick {here.tick.key}"
    return "hold" if here.held else here.mark.mark if here.mark is not None else ""


def test_what_is_to_be_ticked_comes_before_what_is_to_be_set() -> None:
    assert next_of(view_of("plan")) == "tick hot"
    assert next_of(ticked("plan")) == "pan_placed"
    unseated = view_of("fill", pump_on=False, held=False)
    first, *rest = unseated.checklist
    assert next_of(replace(unseated, checklist=(replace(first, done=False), *rest))) == f"tick {first.key}"
    assert next_of(ticked("fill", pump_on=False)) == "hold"
    offered = replace(first, done=False, optional=True)
    assert next_of(replace(ticked("plan"), checklist=(offered,))) == "pan_placed"


@pytest.mark.parametrize(
    ("stage", "mark"),
    [("drain", "drain_done"), ("drip", "drain_done"), ("reseal", "fill_start"), ("leak watch", "close")],
)
def test_each_stage_has_its_next_mark(stage: str, mark: str) -> None:
    assert next_of(ticked(stage)) == mark


def test_resealing_leads_before_solvent() -> None:
    marks = (MarkView(Mark.FLUSH, "Solvent from here on", None), MarkView(Mark.RESEAL_DONE, "Resealed", None))
    assert next_of(ticked("reseal", next_marks=marks, timer=None)) == "reseal_done"


def test_a_mark_that_is_better_waited_with_does_not_shine() -> None:
    assert of(ticked("drip", wait_s=190.0)).wait
    assert not of(ticked("drip", wait_s=0.0)).wait
    assert of(ticked("leak watch")).wait


def test_filling_says_how_much_of_how_much_and_ends_with_fill_done() -> None:
    running = of(ticked("fill"))
    assert (running.figure, running.missing) == ("2.44 of 2.87 L", "0.43 L to go")
    assert next_of(ticked("fill", pump_on=False, to_go_l=0.0)) == "fill_done"
    assert next_of(ticked("fill", pump_on=False, to_go_l=0.012)) == "hold"
    too_little = pump_of(too_little_left=True)
    assert next_of(ticked("fill", pump_on=False, to_go_l=0.012, pump=too_little)) == "fill_done"


def test_at_the_target_a_proof_at_the_lip_is_in_reach_where_nothing_settles_the_fill_yet() -> None:
    lip = MarkView(Mark.LIP_PROOF, "Prove at the lip", None)
    view = ticked("fill", pump_on=False, to_go_l=0.0)
    offered = replace(view, next_marks=(*view.next_marks, lip))
    undecided = replace(offered, figures=replace(offered.figures, verdict="undecided"))
    assert (next_of(undecided), of(undecided).also) == ("fill_done", lip)
    shown = live(undecided).html
    assert 'data-mark="lip_proof"' in shown["next"]
    assert 'data-mark="lip_proof"' not in shown["steps"]
    assert of(replace(offered, figures=replace(offered.figures, verdict="full"))).also is None
    tried = LipView(under_way=False, steps=3, pushed_l=0.04, most_l=0.15, over_l=0.0, proved=False)
    after = replace(offered, pump=replace(pump_of(), lip=tried))
    assert of(replace(after, figures=replace(after.figures, verdict="undecided"))).also is None


def test_what_may_have_gone_in_uncounted_is_said_and_is_not_held_for() -> None:
    """Four stops for no flow had left a fill 0.23 L before its target, where each hold ended at once."""
    view = ticked("fill", pump_on=False, held=False, to_go_l=0.23, pump=pump_of(unsure_l=0.23))
    assert next_of(view) == "fill_done"
    assert of(view).missing == "0.23 L to go · 0.23 L may have gone in uncounted"
    shown = live(view)
    assert not shown.flag["hold"]
    assert shown.text["pump"] == "Stopped early. Prove at the lip, or look at the level and top up."
    topped_up = replace(view, to_go_l=0.28)
    assert next_of(topped_up) == "hold"
    assert live(topped_up).flag["hold"]


def test_what_ran_over_explains_why_filled_and_to_go_do_not_add_up() -> None:
    view = ticked("fill")
    spilt = replace(view, figures=replace(view.figures, overflow_l=0.05))
    assert of(spilt).missing == "0.43 L to go · 50 mL ran over"


def test_whoever_still_holds_at_the_target_keeps_the_control() -> None:
    for held in (True, False):
        assert live(ticked("fill", pump_on=False, held=held, to_go_l=0.0)).flag["hold"] is held


def test_what_is_missing_after_the_fill_is_said_and_topped_up_first() -> None:
    short = view_of("settle", filled_l=1.92, verdict="short", level_seen=False)
    here = of(short)
    assert here.figure == "0.95 L missing: top up"
    assert (here.label, next_of(short)) == ("Top up", "fill_start")
    watched = view_of("leak watch", filled_l=1.92, verdict="short", level_seen=False)
    assert (of(watched).label, next_of(watched)) == ("Plug out again: top up", "fill_start")
    assert next_of(ticked("settle", level_seen=False)) == "level_seen"
    assert next_of(ticked("settle", level_seen=True)) == "plug_in"


def test_after_a_stop_in_mid_job_the_question_comes_first() -> None:
    asked = ticked("fill", pump_on=False, interruption="Was the pan moved meanwhile?")
    assert next_of(asked) == ""
    shown = live(asked).html
    assert 'href="#interruption"' in shown["next"]
    assert "Was the pan moved meanwhile?" in shown["interruption"]


def test_a_purge_offers_nothing_of_the_stage_and_its_end_once_enough_is_through() -> None:
    under_way = ticked("plan", pump=pump_of(purging=True, purge_l=0.20, purge_needed_l=0.53))
    here = of(under_way)
    assert (here.figure, here.mark, here.held, here.purged) == ("Purged 0.20 of 0.53 L", None, True, False)
    assert 'data-purge="done"' not in live(under_way).html["next"]
    through = ticked("plan", pump=pump_of(purging=True, purge_l=0.527, purge_needed_l=0.53))
    assert 'data-purge="done"' in live(through).html["next"]
