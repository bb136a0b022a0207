"""A bay's wiring as drawn: each pin of its plan once, at its own place, and nothing over anything else."""

import json
import re
from pathlib import Path
from xml.etree import ElementTree

import pytest

from hardware import wiring
from hardware.pins import PinMap
from hardware.wiring import HEADER, WIRES, parts, place_of, svg, wired
from station.__main__ import main
from station.given.config import demo_path, read_config

FULL = PinMap(pan_dout=9, pan_sck=10, meter_b=18, pump_fine=12, pump_cutoff=26, pump_watch=16)
PLANS = {
    "the demo's": PinMap(),
    "all that can be fitted": FULL,
    "two pans": PinMap(pan_b_dout=20, pan_b_sck=7),
    "elsewhere": PinMap(pump=13, meter=20, lamp=21, buzzer=16),
}
NS = {"s": "http://www.w3.org/2000/svg"}


def drawn(pins: PinMap, lines: dict[str, str] | None = None) -> ElementTree.Element:
    return ElementTree.fromstring(svg("Bay <1> & 2", pins, lines or {}))


def test_the_header_has_each_pin_once_and_its_supplies() -> None:
    assert len(HEADER) == 40
    assert sorted(pad for pad in HEADER if isinstance(pad, int)) == list(range(28))
    # Known by heart to whoever wires: 1-Wire's pin is at place 7, the console's are at 8 and 10, ground at 6.
    assert (place_of(4), place_of(14), place_of(15), HEADER[5]) == (7, 8, 10, "ground")
    assert [HEADER.count(supply) for supply in ("3.3 V", "5 V", "ground")] == [2, 2, 8]


@pytest.mark.parametrize("name", PLANS)
def test_each_pin_of_the_plan_is_drawn_once_at_its_place(name: str) -> None:
    pins = PLANS[name]
    groups = drawn(pins).findall("s:g", NS)
    found = {one.attrib["data-owner"]: int(one.attrib["data-bcm"]) for one in groups}
    assert len(groups) == len(found)
    assert found == pins.used()
    for one in groups:
        place = int(one.attrib["data-place"])
        assert HEADER[place - 1] == int(one.attrib["data-bcm"])
        line = one.find("s:line", NS)
        assert line is not None
        assert float(line.attrib["y1"]) == wiring.TOP + (place - 1) // 2 * wiring.PITCH
        assert (float(line.attrib["x2"]) < wiring.MIDDLE) == (place % 2 == 1), "odd places are the left row"


@pytest.mark.parametrize("name", PLANS)
def test_nothing_is_written_over_anything_else(name: str) -> None:
    """By a width of 0.6 em a letter, which is more than sans-serif text takes on average."""
    boxes = []
    for text in drawn(PLANS[name], {"container": "/dev/serial/by-id/usb-floor-scale"}).iter(
        f"{{{NS['s']}}}text"
    ):
        size = float(text.attrib.get("font-size", 15))
        wide = 0.6 * size * len("".join(text.itertext())) * (0.9 if size > 12 else 0.83)
        x, y = float(text.attrib["x"]), float(text.attrib["y"])
        left = {"end": x - wide, "middle": x - wide / 2}.get(text.attrib.get("text-anchor", ""), x)
        assert left >= 0, "".join(text.itertext())
        assert left + wide <= wiring.WIDTH, "".join(text.itertext())
        boxes.append((left, y - 0.7 * size, left + wide, y))
    for n, a in enumerate(boxes):
        for b in boxes[n + 1 :]:
            assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]


def test_what_comes_over_a_line_needs_no_pins_nor_cells() -> None:
    lines = {"pan": "/dev/serial/by-id/usb-scale", "meter": "/dev/serial/by-id/usb-line"}
    owners = {one.attrib["data-owner"] for one in drawn(FULL, lines).findall("s:g", NS)}
    assert owners == set(FULL.used()) - {"pan_dout", "pan_sck", "meter"}
    text = "".join(drawn(FULL, lines).itertext())
    assert "/dev/serial/by-id/usb-line" in text
    assert "keep free for SPI" not in text
    assert not {"load cells and summing box", "24-bit bridge converter, HX711 type"} & {
        one.what for one in parts(FULL, lines)
    }


def test_pins_that_the_kernel_takes_with_spi_are_said_to_stay_free() -> None:
    assert "".join(drawn(FULL).itertext()).count("keep free for SPI") == 3
    assert "".join(drawn(PinMap()).itertext()).count("keep free for SPI") == 0


def test_the_pumps_circuit_has_what_is_fitted() -> None:
    assert [what for what, _ in wiring.chain(PinMap())] == ["supply", "hard-wired stop", "relay", "pump"]
    assert [what for what, _ in wiring.chain(FULL)][2:5] == ["relay", "second contact", "watch timer"]


def test_every_part_that_can_be_wired_has_its_wire_and_its_rating() -> None:
    whole = PinMap(
        **dict(zip(PinMap.__dataclass_fields__, range(2, 2 + len(PinMap.__dataclass_fields__)), strict=True))
    )
    assert set(WIRES) == set(whole.used())
    assert {wire.part for wire in WIRES.values()} <= set(wiring.PARTS)
    assert wired(whole, {}) == whole.used()


def test_the_guides_drawing_is_the_demos(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Drawn anew by: tallypan wiring --out hardware/wiring.svg"""
    out = tmp_path / "wiring.svg"
    assert main(["wiring", "--out", str(out)]) == 0
    assert out.read_text() == (Path(wiring.__file__).parent / "wiring.svg").read_text()
    told = capsys.readouterr().out
    for owner, bcm in read_config(demo_path()).pins.used().items():
        assert re.search(rf"^{owner} +{bcm} +{place_of(bcm)} ", told, re.M)
    assert "relay module, opto-isolated" in told
    assert main(["wiring", "--json"]) == 0
    assert {row["what"] for row in json.loads(capsys.readouterr().out)["pins"]} == set(PinMap().used())
    assert main(["wiring", "--out", str(tmp_path / "no" / "where.svg")]) == 2
