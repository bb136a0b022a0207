"""Serial lines on pseudo-terminals: the far end is this file's, everything from the port's name up is ours."""

import errno
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import serial

from hardware import serial_line, serial_port
from hardware.errors import SerialFaults, SerialPortError
from hardware.sample import Sample
from hardware.serial_devices import (
    LARGEST_COUNT,
    CounterLines,
    SerialPlan,
    SerialScale,
    checksum,
    meter_line,
)
from hardware.serial_line import SerialLine
from hardware.serial_port import SerialPort
from hardware.simulated.clock import VirtualClock
from tests.hardware.benches import Adapter, Wait

PATTERN = r"W *([+-]? *[0-9]+\.[0-9]) *g"


@pytest.fixture
def samples() -> list[Sample]:
    return []


@pytest.fixture
def meter(adapter: Adapter, samples: list[Sample]) -> Iterator[SerialLine]:
    line = SerialLine(
        "meter", SerialPort(str(adapter.path)), CounterLines().read, samples.append, VirtualClock(7.0)
    )
    yield line
    line.stop()


@pytest.fixture
def in_step(adapter: Adapter, meter: SerialLine) -> SerialLine:
    """The meter's line after the first line end, from which on lines count."""
    adapter.raw(b"cut\r\n")
    meter.poll()
    return meter


@pytest.fixture
def pan(adapter: Adapter, samples: list[Sample]) -> Iterator[SerialLine]:
    scale = scale_on(adapter)
    line = SerialLine("pan", scale, scale.read, samples.append, VirtualClock(7.0))
    adapter.raw(b"\r\n")
    line.poll()
    yield line
    line.stop()


def scale_on(adapter: Adapter, **changes: Any) -> SerialScale:
    given = {"pattern": PATTERN, "unit": "g", "resolution_g": 0.1, **changes}
    return SerialScale(str(adapter.path), **given)


def values(samples: list[Sample], source: str) -> list[Any]:
    return [sample.value for sample in samples if sample.source == source]


def states(samples: list[Sample], source: str = "meter") -> list[Any]:
    return values(samples, f"{source}_state")


# --- the reader -------------------------------------------------------------------------------------------


def test_good_lines_become_counts_with_the_bays_time(
    adapter: Adapter, in_step: SerialLine, samples: list[Sample]
) -> None:
    for count in (0, 0, 17):
        adapter.send(meter_line(count))
        in_step.poll()
    assert samples == [
        (7.0, "meter_state", "ok"),
        (7.0, "meter", 0),
        (7.0, "meter", 0),
        (7.0, "meter", 17),
    ]


@pytest.mark.parametrize("end", ["\r\n", "\n", "\r"])
def test_a_line_may_end_in_cr_lf_or_both(
    adapter: Adapter, in_step: SerialLine, samples: list[Sample], end: str
) -> None:
    adapter.send(meter_line(5), end=end)
    in_step.poll()
    assert values(samples, "meter") == [5]
    assert states(samples) == ["ok"]


def test_a_split_line_is_joined_over_a_timeout(
    adapter: Adapter, in_step: SerialLine, samples: list[Sample]
) -> None:
    line = meter_line(1234567890)
    adapter.raw(line[:4].encode())
    in_step.poll()
    in_step.poll()
    assert samples == []
    adapter.raw(line[4:].encode())
    in_step.poll()
    assert samples == []
    adapter.raw(b"\r")
    in_step.poll()
    assert values(samples, "meter") == [1234567890]


def test_the_first_line_after_opening_may_lack_its_head_and_is_left_out(
    adapter: Adapter, samples: list[Sample]
) -> None:
    scale = scale_on(adapter, pattern=r"([0-9.]+)")
    line = SerialLine("pan", scale, scale.read, samples.append)
    for text in ("34.5", "1234.5"):  # opened in the middle of a line
        adapter.send(text)
        line.poll()
    line.stop()
    assert values(samples, "pan") == [12345]


def test_a_backlog_gives_its_newest_count_alone(
    adapter: Adapter, in_step: SerialLine, samples: list[Sample]
) -> None:
    adapter.send(*(meter_line(count) for count in range(50)))
    in_step.poll()
    assert values(samples, "meter") == [49]


def test_a_babble_without_line_ends_is_bad_and_its_tail_no_line(
    adapter: Adapter, pan: SerialLine, samples: list[Sample]
) -> None:
    for _ in range(3):
        adapter.raw(b"8" * 150)
        pan.poll()
    assert states(samples, "pan") == ["bad"]
    for text in ("W 12.3 g", "W 45.6 g"):  # the first may be the end of the babble
        adapter.send(text)
        pan.poll()
    assert values(samples, "pan") == [456]
    assert states(samples, "pan") == ["bad", "ok"]


def test_one_bad_line_is_left_out_and_three_are_named(
    adapter: Adapter, in_step: SerialLine, samples: list[Sample]
) -> None:
    adapter.send(meter_line(1), "garbage", meter_line(2))
    in_step.poll()
    for count in (2, 2, 2):
        adapter.send("garbage", meter_line(count))
        in_step.poll()
    assert states(samples) == ["ok"], "one in two is not three in a row"
    for _ in range(5):
        adapter.raw(b"\xff\x00\x80~\r\n")
        in_step.poll()
    assert states(samples) == ["ok", "bad"]
    assert values(samples, "meter") == [2, 2, 2, 2]
    adapter.send(meter_line(3))
    in_step.poll()
    assert states(samples) == ["ok", "bad", "ok"]
    assert values(samples, "meter") == [2, 2, 2, 2, 3]


def test_silence_on_an_open_port_is_unplugged(
    adapter: Adapter, in_step: SerialLine, samples: list[Sample], monkeypatch: pytest.MonkeyPatch
) -> None:
    adapter.send(meter_line(1))
    in_step.poll()
    in_step.poll()
    assert states(samples) == ["ok"], "a tenth of a second is no silence"
    monkeypatch.setattr(serial_line, "SILENT_S", 0.05)
    in_step.poll()
    assert states(samples) == ["ok", "unplugged"]
    adapter.send(meter_line(2))
    in_step.poll()
    assert states(samples) == ["ok", "unplugged", "ok"]


def test_a_pulled_adapter_is_named_and_read_again_when_it_is_back(
    adapter: Adapter,
    meter: SerialLine,
    samples: list[Sample],
    wait_for: Wait,
    caplog: pytest.LogCaptureFixture,
) -> None:
    meter.start()
    adapter.send("", meter_line(10))
    wait_for(lambda: values(samples, "meter") == [10])
    adapter.pull()
    wait_for(lambda: states(samples) == ["ok", "unplugged"])
    wait_for(lambda: meter._held.retry_s > 2 * serial_port.RETRY_S, what="a second try")
    adapter.plug()
    wait_for(lambda: meter._held.serial is not None)
    adapter.send("", meter_line(12))
    wait_for(lambda: values(samples, "meter") == [10, 12])
    assert states(samples) == ["ok", "unplugged", "ok"]
    assert caplog.text.count("ERROR") == 1, "one line in the log per loss, not one per try"


def test_an_adapter_that_goes_between_two_reads_is_named_as_well(
    adapter: Adapter, in_step: SerialLine, samples: list[Sample], monkeypatch: pytest.MonkeyPatch
) -> None:
    """in_waiting raises a plain OSError where read raises pyserial's."""

    def gone(_port: object) -> None:
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(serial.Serial, "in_waiting", property(gone))
    adapter.send(meter_line(1))
    in_step.poll()
    assert states(samples) == ["unplugged"]
    assert in_step._held.serial is None


def test_retries_wait_longer_each_time_up_to_a_limit(
    adapter: Adapter, meter: SerialLine, samples: list[Sample]
) -> None:
    adapter.pull()
    waits = []
    for _ in range(6):
        meter._held.retry_at_s = 0.0
        waits.append(meter._held.retry_s)
        meter.poll()
    assert waits == [0.25, 0.5, 1.0, 2.0, 2.0, 2.0]
    assert states(samples) == ["unplugged"]


def test_a_port_that_is_not_there_yet_is_waited_for(
    adapter: Adapter, samples: list[Sample], wait_for: Wait
) -> None:
    adapter.pull()
    line = SerialLine("meter", SerialPort(str(adapter.path)), CounterLines().read, samples.append)
    assert states(samples) == ["unplugged"]
    line.start()
    adapter.plug()
    wait_for(lambda: line._held.serial is not None)
    adapter.send("", meter_line(3))
    wait_for(lambda: values(samples, "meter") == [3])
    line.stop()


def test_a_second_opener_is_refused_and_the_first_is_none_the_worse(
    adapter: Adapter, in_step: SerialLine, samples: list[Sample]
) -> None:
    port = SerialPort(str(adapter.path), baud=115_200)
    with pytest.raises(SerialPortError, match="in use by another program"):
        SerialLine("meter", port, CounterLines().read, samples.append)
    adapter.send(meter_line(4))
    in_step.poll()
    assert values(samples, "meter") == [4]
    in_step.stop()
    SerialLine("meter", port, CounterLines().read, samples.append).stop()


def test_what_is_no_serial_port_is_refused(tmp_path: Path, samples: list[Sample]) -> None:
    (tmp_path / "file").write_text("0000000001*31\n")
    with pytest.raises(SerialPortError, match="Is it a serial port"):
        SerialLine("meter", SerialPort(str(tmp_path / "file")), CounterLines().read, samples.append)
    with pytest.raises(SerialFaults, match="expected a path"):
        SerialLine("meter", SerialPort("COM3"), CounterLines().read, samples.append)
    assert samples == []


def test_the_port_is_set_as_told(adapter: Adapter, samples: list[Sample]) -> None:
    port = SerialPort(str(adapter.path), baud=2400, frame="7E1")
    line = SerialLine("meter", port, CounterLines().read, samples.append)
    opened = line._held.serial
    assert opened is not None
    assert (opened.baudrate, opened.bytesize, opened.parity, opened.stopbits) == (2400, 7, "E", 1)
    line.stop()
    assert not opened.is_open


# --- the meter's counter ------------------------------------------------------------------------------------


def test_the_checksum_is_that_of_nmea_0183() -> None:
    # A sentence printed with its checksum in T. Igoe, "XOR calculation for NMEA checksums", tigoe.net, 2007.
    sentence = "GPRMC,155123.000,A,4043.8432,N,07359.7653,W,0.15,83.25,200407,,"
    assert checksum(sentence) == 0x28
    assert meter_line(0) == "0000000000*00"
    assert meter_line(12345) == "0000012345*01"


@pytest.mark.parametrize(
    "line",
    [
        "0000012345*00",  # wrong checksum
        "0000012346*01",  # a digit changed on the way
        "12345*31",  # right checksum, but digits are missing
        "00000012345*31",
        "0000012345",
        "0000012345*0",
        "0000012345*01 0000012345*01",
        "0000012348*0c",  # lower case
        "-000012345*1C",
        "4294967296*0E",  # one more than 32 bits hold
        "",
    ],
)
def test_a_line_that_is_not_whole_is_no_count(line: str) -> None:
    counter = CounterLines()
    assert counter.read(meter_line(12345)) == 12345
    with pytest.raises(ValueError, match="expected"):
        counter.read(line)
    assert counter.read(meter_line(12346)) == 12346


def test_the_cases_above_fail_by_their_form_and_not_by_their_checksum() -> None:
    texts = ("12345", "00000012345", "0000012348", "-000012345", "4294967296")
    assert [checksum(text) for text in texts] == [0x31, 0x31, 0x0C, 0x1C, 0x0E]


def test_any_single_wrong_or_lost_character_is_found() -> None:
    line = meter_line(1_123_455_678)
    for i in range(len(line)):
        with pytest.raises(ValueError, match="expected"):
            CounterLines().read(line[:i] + line[i + 1 :])
        for other in "0123456789ABCDEF*":
            if other != line[i]:
                with pytest.raises(ValueError, match="expected"):
                    CounterLines().read(line[:i] + other + line[i + 1 :])


def test_a_32_bit_roll_over_goes_on_counting() -> None:
    counter = CounterLines()
    top = (1 << 32) - 3
    assert [counter.read(meter_line(top + i)) for i in range(0, 10, 2)] == [top + i for i in range(0, 10, 2)]
    assert counter.read(meter_line(100)) == (1 << 32) + 100


def test_a_restart_falls_once_a_second_line_bears_it_out() -> None:
    counter = CounterLines()
    assert counter.read(meter_line(5000)) == 5000
    assert counter.read(meter_line(0)) is None
    assert counter.read(meter_line(3)) == 3
    assert counter.read(meter_line(4)) == 4


def test_a_restart_after_a_roll_over_begins_at_its_own_count() -> None:
    counter = CounterLines()
    counter.read(meter_line((1 << 32) - 1))
    assert counter.read(meter_line(50)) == (1 << 32) + 50
    counter.read(meter_line(5))
    assert counter.read(meter_line(6)) == 6


def test_one_odd_count_with_a_right_checksum_is_left_out() -> None:
    counter = CounterLines()
    assert counter.read(meter_line(5000)) == 5000
    assert counter.read(meter_line(2_000_005_001)) is None
    assert counter.read(meter_line(5002)) == 5002
    assert counter.read(meter_line(2_000_005_003)) is None, "the odd one before is forgotten"
    assert counter.read(meter_line(5004)) == 5004


# --- the scale ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "count"),
    [
        ("W +  123.4 g", 1234),
        ("W -0.3 g", -3),
        ("W - 12.0 g", -120),
        ("W0.0g", 0),
        ("  W 9.9 g  ", 99),
    ],
)
def test_an_indication_becomes_whole_counts(
    adapter: Adapter, pan: SerialLine, samples: list[Sample], line: str, count: int
) -> None:
    adapter.send(line)
    pan.poll()
    assert samples == [(7.0, "pan_state", "ok"), (7.0, "pan", count)]


@pytest.mark.parametrize(
    ("unit", "resolution_g", "text", "count"),
    [("kg", 1.0, "1.234", 1234), ("kg", 0.1, "1.2345", 12345), ("g", 0.5, "10.5", 21),
     ("g", 0.1, "0.25", 2), ("g", 0.1, "0.35", 4), ("g", 0.1, ".3", 3), ("kg", 5, "12.", 2400)],
)  # fmt: skip
def test_unit_and_resolution(adapter: Adapter, unit: str, resolution_g: float, text: str, count: int) -> None:
    scale = scale_on(adapter, pattern="(.*)", unit=unit, resolution_g=resolution_g)
    assert scale.read(text) == count


@pytest.mark.parametrize(
    "text", ["nan", "inf", "-Infinity", "1e3", "1_000", "1,5", "", "--1.0", "1.2.3", "0x1F", "OL", "٣"]
)
def test_what_is_no_plain_number_never_becomes_one(adapter: Adapter, text: str) -> None:
    with pytest.raises(ValueError, match="no decimal number"):
        scale_on(adapter, pattern="(.*)").read(text)


def test_a_number_beyond_the_pans_counts_is_refused(adapter: Adapter) -> None:
    scale = scale_on(adapter, pattern="(.*)", resolution_g=1)
    assert scale.read(str(LARGEST_COUNT)) == LARGEST_COUNT
    for text in (str(LARGEST_COUNT + 1), str(-LARGEST_COUNT - 1), "9" * 100):
        with pytest.raises(ValueError, match=r"expected at most 8388606"):
            scale.read(text)


def test_over_range_and_a_changed_unit_are_bad_while_they_last(
    adapter: Adapter, pan: SerialLine, samples: list[Sample]
) -> None:
    adapter.send("W 1.0 g")
    pan.poll()
    for line in ("W OVER", "W OVER", "W 0.1 lb", "W 1.0 g W 1.0 g"):
        adapter.send(line)
        pan.poll()
    assert states(samples, "pan") == ["ok", "bad"]
    assert values(samples, "pan") == [10]
    adapter.send("W 2.0 g")
    pan.poll()
    assert states(samples, "pan") == ["ok", "bad", "ok"]
    assert values(samples, "pan") == [10, 20]


# --- the plan -----------------------------------------------------------------------------------------------


def test_every_fault_of_a_plan_is_told_at_once() -> None:
    scale = SerialScale("/dev/a", 9601, "9X2", pattern="(a)(b)", unit="st", resolution_g=0)
    plan = SerialPlan(SerialPort("/dev/a"), scale)
    with pytest.raises(SerialFaults) as caught:
        plan.check()
    faults = caught.value.faults
    assert len(faults) == 6
    for words in ("baud = 9601", "frame = '9X2'", "has 2 groups", "unit = 'st'", "resolution_g = 0", "both"):
        assert sum(words in fault for fault in faults) == 1
    SerialPlan(SerialPort("/dev/a"), SerialScale("/dev/b", pattern="(a)", unit="kg", resolution_g=1)).check()
    SerialPlan().check()
