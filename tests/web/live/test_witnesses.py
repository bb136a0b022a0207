"""Who spoke of a fill, as the pages show it."""

from dataclasses import replace

from station.figures import balance
from tests.station.figures.test_witnesses import fill
from tests.web.fake_views import view_of
from web.live import witnesses
from web.live.live import live


def test_every_witness_is_told_with_its_uncertainty_and_what_would_settle_it() -> None:
    report = balance.report(fill(2.87, over_l=0.0))
    told = {line.name: line for line in witnesses.lines(report.witnesses, report.verdict)}
    assert list(told) == ["Expected fill", "Expected from what came out", "Meter"]
    assert told["Meter"].says.startswith("2.87")
    assert "±" in told["Meter"].says
    assert told["Meter"].settles == "Prove the meter, or weigh the container before and after."


def test_who_is_contradicted_is_named_beside_a_verdict_and_nobody_else() -> None:
    report = balance.report(fill(2.871 * 0.95 + 0.1, over_l=0.1))
    assert report.verdict == "full"
    told = {line.name: line for line in witnesses.lines(report.witnesses, report.verdict)}
    assert told["Meter"].word.endswith("; doubted")
    assert told["Meter"].settles
    lip = told["What ran over the lip"]
    assert lip.word == "full, whatever was expected"
    assert lip.says.startswith("at the level ± ")
    assert "2.8" not in lip.says, "it measures no volume"
    assert told["What ran over the lip"].settles == ""
    assert told["Meter"].says.startswith("2.727 ±")


def test_the_closing_panel_shows_them_and_escapes_what_it_shows() -> None:
    report = balance.report(fill(2.87))
    view = view_of("leak watch")
    figures = replace(view.figures, witnesses=report.witnesses, verdict_text=report.verdict_text)
    shown = live(replace(view, figures=figures))
    assert shown.text["verdict.said"] == "2.87 L by the meter alone: let a little run over the lip, or look."
    assert "Prove the meter" not in live(view).html["witnesses"]
    assert '<th scope="row">Meter</th>' in shown.html["witnesses"]
    odd = (replace(report.witnesses[1], name="<b>"),)
    assert "<b>" not in live(replace(view, figures=replace(figures, witnesses=odd))).html["witnesses"]
