"""Fluid, or something laid in it? The station asks, the technician answers, the figure follows."""

import re

from playwright.sync_api import Page, expect

from tests.journeys.technician import PART_PATIENCE_S, Technician, until


def _counted_too_much_l(person: Technician) -> float:
    """How much more the station counts than came out. By now: however long the test takes, it goes on dripping."""
    view = person.get("/view.json")
    return float(view["drained_l"]) - float(person.get("/bench/truth.json")["drained_l"])


def test_a_question_about_the_pan_is_answered_changed_and_kept(phone: Page) -> None:
    person = Technician(phone)
    person.open_job()
    person.tick_all()
    person.mark("pan_placed")
    until(lambda: person.get("/view.json")["pan_g"] is not None, "pan read")
    person.mark("drain_open")
    person.reach("drain")
    person.bench("open_drain")
    person.bench("fastest")
    person.reach("drip", PART_PATIENCE_S)
    until(lambda: person.text("waiting") != "", "the drip read")  # on a busy computer it is over by now
    person.bench("normal")
    before_l = _counted_too_much_l(person)
    person.bench("rag_on")

    question = phone.locator(".asked .question")
    expect(question).to_be_visible()
    expect(question).to_contain_text("Fluid, or something laid in it?")
    # 60 g, give or take the scale's noise and what drips in while it is let down
    expect(question).to_contain_text(re.compile(r"the pan gained (5[5-9]|6\d) g"))
    answers = question.locator("[data-answer]")
    boxes = answers.evaluate_all("all => all.map(one => one.getBoundingClientRect().toJSON())")
    assert len(boxes) == 2
    assert min(min(box["width"], box["height"]) for box in boxes) >= 64
    # What comes in a gulp while it drips is taken for fluid until somebody says otherwise, and doubted as far.
    assert 0.055 < _counted_too_much_l(person) - before_l < 0.09
    assert person.get("/view.json")["drained_u95_l"] > 0.05

    step = answers.first.get_attribute("data-step")
    answers.filter(has_text="Something laid in it").click()
    expect(question).to_have_count(0)
    told = phone.locator(f"#question-{step}")
    expect(told).to_contain_text("not counted")
    expect(told.locator('[aria-pressed="true"]')).to_contain_text("Something laid in it")
    assert abs(_counted_too_much_l(person) - before_l) < 0.02

    told.locator('[data-answer="fluid"]').click()
    expect(told.locator('[aria-pressed="true"]')).to_contain_text("Fluid")
    assert 0.055 < _counted_too_much_l(person) - before_l < 0.09
    person.mark("drain_done")
    person.reach("reseal")
    told.locator('[data-answer="object"]').click()
    expect(told.locator('[aria-pressed="true"]')).to_contain_text("Something laid in it")

    assert abs(_counted_too_much_l(person) - before_l) < 0.03
    view = person.get("/view.json")
    phone.goto(f"{phone.url.rstrip('/')}/jobs/{view['job']['job_id']}")
    row = phone.locator("tr", has_text="gained within seconds")
    expect(row).to_contain_text("Something laid in it, not counted")
    expect(row).to_contain_text("technician of the job: J. Lindqvist")
