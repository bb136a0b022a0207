"""What the doctor says of the fluids in a bay's file; ports and devices are looked at in test_serial_config and test_rig."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from station.bay import identity
from station.bay.doctor import Finding, examine
from station.errors import StationError
from station.given.config import BayConfig, demo_path, read_config


def no_devices() -> tuple[Any, Callable[[], None]]:
    raise StationError("not asked for here")


def of_fluids(config: BayConfig) -> list[Finding]:
    return [found for found in examine(config, True, no_devices) if found.what.startswith("fluid")]


def test_the_demos_fluids_are_plausible() -> None:
    [found] = of_fluids(read_config(demo_path()))
    assert found.ok
    assert "gear_75w90" in found.text


def test_a_mistyped_viscosity_is_doubted_by_its_index_and_by_its_grade() -> None:
    config = read_config(demo_path())
    mistyped = replace(config.fluids["gear_75w90"], kv100_mm2_s=51.2)  # for 15.2
    found = of_fluids(replace(config, fluids={"gear_75w90": mistyped}))
    assert [one.ok for one in found] == [True, False, False]
    assert "viscosity index of" in found[1].text
    assert "the range of grade 90" in found[2].text


def test_a_bay_without_fluids_is_told() -> None:
    [found] = of_fluids(replace(read_config(demo_path()), fluids={}))
    assert not found.ok


def test_the_software_is_named_whatever_else_is_wrong() -> None:
    [found] = [
        found
        for found in examine(replace(read_config(demo_path()), fluids={}), True, no_devices)
        if found.what == "software"
    ]
    assert found.ok
    assert identity.of() in found.text
