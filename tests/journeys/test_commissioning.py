"""Somebody with a new bay: touches each device and sees it named, leaves the page, comes back, and goes on."""

from playwright.sync_api import Page, expect

from tests.journeys.conftest import Station
from tests.journeys.technician import Technician


def test_a_bay_is_commissioned_and_every_step_can_be_left(phone: Page, station: Station) -> None:
    phone.goto(f"{station.address}calibration")
    person = Technician(phone)
    person.follow("text=Commission this bay")
    devices = phone.locator("#devices")
    expect(devices).to_contain_text("press on the pan with a hand")
    phone.click("text=Look while I touch them")
    expect(devices).to_contain_text("End looking")
    person.press("#pendant")
    person.happen("weight_2kg")
    expect(devices).to_contain_text("✓ Pan: seen")  # for as long as it takes, as a hand does
    for verb in ("weights_off", "blow_meter", "warm_drained", "warm_supply", "stop_pressed"):
        person.happen(verb)
    expect(devices).to_contain_text("○ Pendant: seen; now let go")
    expect(devices).to_contain_text("○ Hard-wired stop: seen; now let go")
    person.let_go()
    person.bench("stop_released")
    expect(devices).to_contain_text("✓ Hard-wired stop: seen")
    expect(devices.locator(".state")).to_contain_text("open")
    person.bench("warm_air")
    expect(devices.locator(".state")).to_contain_text("done")
    phone.click("text=End looking")
    expect(devices).to_contain_text("Look while I touch them")

    name = phone.locator("#name")
    name.get_by_label("Remark").fill("painted on the wall")
    name.get_by_text("Say it is done").click()
    expect(name).to_contain_text("done: painted on the wall")
    expect(phone.get_by_role("status")).to_contain_text("2 of 8")

    phone.click("text=Commission again")
    phone.locator("#stops").get_by_text("Say it is done").click()
    expect(phone.locator("#stops .state")).to_contain_text("done")
    expect(phone.get_by_text("Begin again")).to_be_visible()  # what a person opened stays open

    pump = phone.locator("#pump")
    pump.get_by_text("Leave this step out").click()
    pump.get_by_label("Why").fill("pump comes on Monday")
    pump.get_by_role("button", name="Leave it out").click()
    expect(pump).to_contain_text("left out: pump comes on Monday")

    phone.goto(station.address)
    phone.goto(f"{station.address}commissioning")
    expect(phone.get_by_role("status")).to_contain_text("4 of 8")
    expect(devices).to_contain_text("✓ Pendant: seen")
    person.follow("text=To the label")
    expect(phone.locator("h1")).to_have_text("Bay 1")
    expect(phone.locator("svg.qr")).to_be_visible()
