"""A plan says before its job what will go in, and with figures whether the containers hold it."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from station.bay.plan import PlanForm, spec_from_form
from station.calibrating.in_force import Lines
from station.errors import InputError
from station.filling.hose import Hose, Slug
from station.given.config import BayConfig, demo_path, read_config
from station.record.ledger import Ledger
from station.shop import catalogue, movement, offered, stock
from station.shop.catalogue import Change
from station.shop.preview import Preview, preview
from station.shop.shop import learned
from tests.station.shop_rows import add, at

FORM = PlanForm("b12_rear_axle", drained_fluid="gear_75w90_used", fresh_fluid="gear_75w90")
SPARE_L = 0.25


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    ledger = Ledger(tmp_path / "l.sqlite")
    changes = [
        *offered.from_config(read_config(demo_path())),
        Change("container", ("drum 1",), "add", {"fluid": "gear_75w90", "size": "60 L"}),
        Change("container", ("drum 2",), "add", {"fluid": "gear_75w90", "size": "60 L"}),
        Change(
            "compartment",
            ("Bus 12", "rear axle"),
            "change",
            {"type": "midibus axle", "interval_months": "12"},
        ),
    ]
    ledger.append(None, catalogue.EVENT, catalogue.body(changes, "test"), at("2026-01-01"))
    yield ledger
    ledger.close()


def counted(ledger: Ledger, container: str, volume_l: float, u95_l: float) -> None:
    body = movement.Movement("counted", "gear_75w90", volume_l, u95_l, container).to_dict()
    ledger.append(None, movement.EVENT, body, at("2026-03-01T06:00:00.000+00:00"))


NO_HOSE = Hose(0.0)


def look(ledger: Ledger, hose: Hose = NO_HOSE, **more: Any) -> Preview:
    present = catalogue.read(ledger)
    config: BayConfig = offered.merged(read_config(demo_path()), present)
    spec = spec_from_form(config, replace(FORM, **more), Lines(config.pan, config.meter, {}, None))
    shop = learned(config, ledger, spec)
    return preview(config, present, ledger, spec, shop, hose, date(2026, 3, 11))


def test_a_container_that_cannot_cover_the_fill_is_told_with_its_figures(ledger: Ledger) -> None:
    counted(ledger, "drum 1", 2.00, 0.10)
    counted(ledger, "drum 2", 40.0, 0.50)
    short = look(ledger, container="drum 1")
    needed_l = short.expected.value_l + SPARE_L
    assert short.supply.needed_l == pytest.approx(needed_l)
    assert short.supply.bring_l == pytest.approx(needed_l - 2.00 + 0.10)  # its doubt counts against it
    assert "drum 1 should hold 2.00 ± 0.10 L" in short.supply_text
    assert f"Bring {short.supply.bring_l:.2f} L more" in short.supply_text
    enough = look(ledger, container="drum 2")
    assert enough.supply.enough
    assert "Bring" not in enough.supply_text
    together = look(ledger)
    assert together.supply.content_l == pytest.approx(42.0)
    assert together.to_dict()["supply"]["text"] == together.supply_text


def test_a_capacity_is_told_in_the_units_it_may_be_mistaken_for_and_asked_about_before_the_job_is_opened(
    ledger: Ledger,
) -> None:
    right = look(ledger)
    assert right.capacity == "2.9 L = 6.13 US pint = 3.06 US quart"
    assert right.asked is None
    wrong = look(ledger, capacity="2.9 US pint")
    assert wrong.capacity == "2.9 US pint = 1.37 L"
    assert wrong.asked is not None
    assert "2.9 US pint (1.372 L) was typed; the catalogue lists 2.9 L" in wrong.asked
    assert wrong.asked.endswith("If it is right as typed, give the reason.")
    assert wrong.cautions == (wrong.asked, wrong.supply_text)


def test_what_came_out_of_it_earlier_is_asked_about_where_a_capacity_cannot_hold_it(ledger: Ledger) -> None:
    """A level that was ticked without a look had passed half a fill; what the pan weighed before it is on record."""
    add(ledger, {"drained_l": 2.85, "filled_l": 2.86})
    assert look(ledger).asked is None
    add(ledger, {"drained_l": 2.45, "filled_l": 2.87})
    assert look(ledger).asked is None, "less has innocent reasons"
    add(ledger, {"drained_l": 5.55, "method": "drain plug"})
    assert look(ledger).asked is None, "another method leaves another share behind"
    add(ledger, {"drained_l": 5.55, "opened_utc": "2026-03-12T08:00:00.000+00:00"})
    asked = look(ledger).asked
    assert asked is not None
    assert asked.startswith("5.550 ± 0.010 L came out of it in the job of 2026-03-12, where 2.8")
    add(ledger, *[{"drained_l": 2.85}] * 5)
    assert look(ledger).asked is None, "of old jobs no longer"


def test_what_the_hose_takes_first_is_needed_too(ledger: Ledger) -> None:
    counted(ledger, "drum 1", 3.20, 0.01)
    assert look(ledger, container="drum 1").supply.enough
    foreign = look(ledger, Hose(0.35, (Slug("atf", "ATF", 0.35),)), container="drum 1")
    assert foreign.purge_l == 0.35
    assert not foreign.supply.enough
    assert "0.35 L to purge the hose" in foreign.supply_text


def test_a_container_that_was_never_counted_or_is_not_listed_is_no_promise(ledger: Ledger) -> None:
    unknown = look(ledger, container="drum 1")
    assert not unknown.supply.counted
    assert "not counted yet" in unknown.supply_text
    missing = look(ledger, container="drum 9")
    assert "drum 9 is not entered as holding Gear oil 75W-90, fresh" in missing.supply_text


def test_books_below_nothing_are_no_promise_and_are_told(ledger: Ledger) -> None:
    counted(ledger, "drum 1", 2.0, 0.10)
    add(ledger, {"container": "drum 1", "metered_l": 2.05})
    within = look(ledger, container="drum 1")
    assert within.supply.counted  # below nothing, but within its doubt
    add(ledger, {"container": "drum 1", "metered_l": 2.00})
    below = look(ledger, container="drum 1")
    (held,) = [one for one in stock.contents(ledger, catalogue.read(ledger)) if one.container == "drum 1"]
    assert held.to_dict()["state"] == "overdrawn"
    assert not below.supply.counted
    assert "do not add up" in below.supply_text


def test_the_plan_names_the_next_change_and_what_the_target_rests_on(ledger: Ledger) -> None:
    found = look(ledger)
    assert found.service is not None
    assert found.service.text == "No change is on record here."
    assert found.expected.words == "listed"
    add(ledger, {"opened_utc": "2025-01-10T08:00:00.000+00:00", "compartment_type": "midibus axle"})
    found = look(ledger)
    assert found.service is not None
    assert (found.service.state, found.service.due_date) == ("overdue", "2026-01-10")
    assert found.expected.words == "learned from 1 job"  # found by the catalogue's type, which nobody typed


def test_the_compartments_type_comes_from_the_catalogue_unless_another_is_typed(ledger: Ledger) -> None:
    config = offered.merged(read_config(demo_path()), catalogue.read(ledger))
    lines = Lines(config.pan, config.meter, {}, None)
    assert spec_from_form(config, FORM, lines).labels["compartment_type"] == "midibus axle"
    typed = spec_from_form(config, replace(FORM, compartment_type="other"), lines)
    assert typed.labels["compartment_type"] == "other"
    bare = replace(config, compartments=read_config(demo_path()).compartments)
    assert "compartment_type" not in spec_from_form(bare, FORM, lines).labels


@pytest.mark.parametrize("which", ["tolerance_minus", "tolerance_plus"])
def test_no_tolerance_makes_a_short_fill_full(which: str, tmp_path: Path) -> None:
    """Found by an attack: whoever plans a job with 50 L of tolerance would have an empty axle called full."""
    config = read_config(demo_path())
    lines = Lines(config.pan, config.meter, {}, None)
    for typed in ("50 L", "0.3 L", "11 %"):
        with pytest.raises(InputError, match="olerance"):
            spec_from_form(config, replace(FORM, **{which: typed}), lines)
    for typed in ("0.29 L", "0.05 L", ""):
        assert spec_from_form(config, replace(FORM, **{which: typed}), lines)
    small = replace(FORM, capacity="0.2 L")
    with pytest.raises(InputError, match=r"50 % of the listed capacity; expected at most 0\.02 L"):
        spec_from_form(config, replace(small, **{which: "0.1 L"}), lines)
    assert getattr(spec_from_form(config, small, lines), f"{which}_l") == pytest.approx(0.02)


def test_no_other_grade_is_typed_over_the_one_that_is_listed() -> None:
    """Found by an attack: gear oil went into an ATF compartment without a reason, and its fill could be called full."""
    config = read_config(demo_path())
    lines = Lines(config.pan, config.meter, {}, None)
    atf = replace(FORM, compartment="b12_transfer", grade="75W-90")
    by_name = replace(
        atf, vehicle="bus 12", compartment="Transfer case", capacity="1.9 US quart", method="drain plug"
    )
    for form in (atf, by_name):
        with pytest.raises(InputError, match="takes ATF, the fluid picked is 75W-90"):
            spec_from_form(config, form, lines)
        spec = spec_from_form(config, replace(form, grade_reason="nothing else in the house"), lines)
        assert (spec.labels["grade"], spec.grade_reason) == ("ATF", "nothing else in the house")
    elsewhere = replace(by_name, vehicle="Bus 99", grade="75w90")
    assert spec_from_form(config, elsewhere, lines).labels["grade"] == "75w90", (
        "written alike but for case and hyphen"
    )
