"""Another fluid than the hose holds: purged into a waste vessel at the bay page, metered, and never a fill."""

from playwright.sync_api import Page, expect

from tests.journeys.technician import PART_PATIENCE_S, Technician, until


def test_the_hose_is_purged_into_a_waste_vessel_before_another_fluid_goes_in(phone: Page) -> None:
    person = Technician(phone)
    person.pick("b12_transfer", unfold=True)
    phone.fill('[name="technician"]', "M. Okafor")
    assert phone.input_value('[name="fresh_fluid"]') == "atf"
    phone.click("text=Open the job")
    person.reach("plan")
    person.tick_all()
    person.mark("pan_placed")
    person.mark("drain_open")
    person.drain_nothing()
    expect(phone.locator("#purge")).to_be_visible()
    hose = phone.locator('[data-text="hose"]').first
    expect(hose).to_contain_text("0.35 L 75W-90")
    person.bench("hose_in_waste")
    phone.click("#purge")
    expect(phone.locator("#purge-done")).to_be_visible()
    until(lambda: person.get("/view.json")["blocked"] is None, "every sensor read")

    person.hold_until(lambda: person.get("/view.json")["pump"]["purge_l"] >= 0.5, "purged", PART_PATIENCE_S)
    person.let_go()
    until(lambda: not person.pump_on(), "pump off")
    gone_l = person.get("/view.json")["pump"]["purge_l"]
    expect(phone.locator(".is-purging .caution-box:visible").last).to_contain_text("Purged")
    phone.click("#purge-done")
    expect(phone.locator("#purge-done")).to_be_hidden()
    person.bench("hose_in_plug")

    expect(hose).to_have_text("0.35 L ATF")  # though no container was entered
    expect(phone.locator("#purge")).to_be_hidden()
    view = person.get("/view.json")
    # However long it was held, and with what ran on behind the pump.
    assert 0.5 <= gone_l <= view["pump"]["purged_l"] < gone_l + 0.1
    assert view["metered_l"] in (None, 0.0), "a purge is no fill"
    person.tick_all()
    person.mark("reseal_done")
    person.mark("fill_start")
    person.say_drained_elsewhere()
    person.reach("fill")
    until(lambda: person.get("/view.json")["blocked"] is None, "nothing in the way")
    record = person.get(f"{phone.url}jobs/{view['job']['job_id']}.json")
    assert "of Gear oil 75W-90, fresh may still line it" in str(record)
