"""A meter's pulses on a kernel's real GPIO character device: what is not counted is told.

The emulated board's pins are moved from outside in real time, so on a busy machine pulses may come faster than its
processor runs. That is the point: a count may then be short, but never without a word.
"""

import json
import time

import pytest

from tests.pi.board import WiredBoard

TRAINS = ((24.0, 4.0, 200), (24.0, 1.0, 200), (80.0, 6.25, 300), (100.0, 5.0, 300), (400.0, 1.25, 1200))
"""Pulses a second, milliseconds low, how many. The kernel's debounce of 200 µs left 0, 0, 259, 296 and 0 of them."""


@pytest.fixture(scope="module")
def counted(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[float, float, int], tuple[int, int, int]]:
    """Each train: pulses counted, intervals told as too short, edges told as missed."""
    board = WiredBoard("pulses.py", tmp_path_factory.mktemp("board"))
    found = {}
    try:
        board.console.wait_for("COUNTING", 240.0)
        board.set(0, 1)
        time.sleep(0.5)
        before = {"count": 0, "bounced": 0, "missed": 0}
        for hz, low_ms, n in TRAINS:
            due_s = time.monotonic()
            for _ in range(n):
                board.set(0, 0)
                time.sleep(max(0.0, due_s + low_ms / 1e3 - time.monotonic()))
                board.set(0, 1)
                due_s += 1.0 / hz
                time.sleep(max(0.0, due_s - time.monotonic()))
            now = json.loads(board.console.wait_for(r"COUNTED \{.*?\}", 30.0).removeprefix("COUNTED "))
            found[(hz, low_ms, n)] = (
                now["count"] - before["count"], now["bounced"] - before["bounced"], now["missed"] - before["missed"],
            )  # fmt: skip
            before = now
    finally:
        board.close()
    print(found)
    return found


@pytest.mark.parametrize("train", TRAINS, ids=[f"{hz:g} Hz, low {low_ms:g} ms" for hz, low_ms, _ in TRAINS])
def test_every_pulse_is_counted_or_told(
    train: tuple[float, float, int], counted: dict[tuple[float, float, int], tuple[int, int, int]]
) -> None:
    count, bounced, missed = counted[train]
    assert count <= train[2]
    assert count == train[2] or bounced + missed > 0
    assert count >= 0.5 * train[2], "a debounce in the kernel leaves none of the short ones"
