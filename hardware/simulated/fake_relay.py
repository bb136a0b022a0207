"""A relay on a pin, as a process of its own: it outlives whoever drives it, and remembers every edge.

    python -m hardware.simulated.fake_relay SOCKET [--release strict|persistent] [--timer SECONDS] [--mirror FILE]

Owners connect to the socket and send one byte at a time: 0 or 1 writes the level, ? reads it back; the answer is one
byte, 0 or 1, or X for a write that failed. The first owner holds the pin; another is told X and hung up. What becomes
of the level when its owner dies is the question that this process is for:

- strict: the pin is let go and falls to 0, as with ``strict_gpiod`` on a Raspberry Pi;
- persistent: it stays where it was, as a Raspberry Pi's kernel leaves it without that;
- with a timer, the contact opens in any case when nobody has written for so long: a retriggerable hardware timer.

A bench connects and sends a word and a newline: ``edges`` (every change of the contact with its CLOCK_MONOTONIC time,
one a line, then an empty line), ``contact``, ``stick 0``, ``stick 1``, ``free``, ``fail`` (writes fail), ``mend``,
``deaf`` (writes are answered and change nothing: a line claimed twice), ``reboot`` (the pin falls to 0, owners are hung
up), ``end``. The mirror file gets the contact's level as its first byte.
"""

import argparse
import contextlib
import mmap
import os
import select
import socket
import sys
import time
from pathlib import Path


class FakeRelay:
    """The pin's state; ``now_s`` is CLOCK_MONOTONIC."""

    def __init__(self, strict: bool, timer_s: float | None, mirror: mmap.mmap | None = None) -> None:
        self._strict, self._timer_s, self._mirror = strict, timer_s, mirror
        self.level = 0
        self.stuck: int | None = None
        self.failing = self.deaf = False
        self._written_s = 0.0
        self._contact = 0
        self.edges: list[tuple[float, int]] = []

    def write(self, level: int, now_s: float) -> bytes:
        if self.failing:
            return b"X"
        if not self.deaf:
            self.level, self._written_s = level, now_s
        self.look(now_s)
        return b"%d" % level

    def read(self) -> bytes:
        return b"%d" % (self.level if self.stuck is None else self.stuck)

    def owner_gone(self, now_s: float) -> None:
        if self._strict:
            self.level = 0
        self.look(now_s)

    def due_s(self) -> float | None:
        """When the timer will open the contact; None while it cannot."""
        return self._written_s + self._timer_s if self._timer_s is not None and self._contact else None

    def look(self, now_s: float) -> int:
        """Whether the contact is closed now; an edge where that is new."""
        level = self.level if self.stuck is None else self.stuck
        if self._timer_s is not None and now_s - self._written_s >= self._timer_s:
            level = 0
        if level != self._contact:
            self._contact = level
            self.edges.append((now_s, level))
            if self._mirror is not None:
                self._mirror[0] = level
        return self._contact

    def order(self, words: list[str], now_s: float) -> str:
        """Do what a bench asks; its answer."""
        if words[0] == "edges":
            return "".join(f"{t_s!r} {level}\n" for t_s, level in self.edges) + "\n"
        if words[0] == "stick":
            self.stuck = int(words[1])
        elif words[0] == "free":
            self.stuck = None
        elif words[0] in ("fail", "mend"):
            self.failing = words[0] == "fail"
            self.deaf = self.deaf and words[0] != "mend"
        elif words[0] == "deaf":
            self.deaf = True
        elif words[0] == "reboot":
            self.level = 0
        return f"{self.look(now_s)}\n"


class _Server:
    def __init__(self, path: str, relay: FakeRelay) -> None:
        self._relay = relay
        self._listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        with contextlib.suppress(FileNotFoundError):
            os.unlink(path)
        self._listening.bind(path)
        self._listening.listen(16)
        self._owner: socket.socket | None = None
        self._benches: list[socket.socket] = []

    def run(self) -> None:
        while True:
            due_s, now_s = self._relay.due_s(), time.monotonic()
            wait_s = None if due_s is None else max(0.0, due_s - now_s)
            open_ones = [self._listening, *self._benches, *([self._owner] if self._owner else [])]
            ready = select.select(open_ones, [], [], wait_s)[0]
            self._relay.look(time.monotonic())
            for one in ready:
                if one is self._listening:
                    self._benches.append(
                        self._listening.accept()[0]
                    )  # whoever writes a level becomes the owner
                elif one is self._owner:
                    self._serve_owner(one)
                elif one in self._benches and not self._serve_bench(one):  # a reboot lets go of the owner
                    return

    def _serve_owner(self, one: socket.socket, data: bytes | None = None) -> None:
        if data is None:
            try:
                data = one.recv(4096)
            except OSError:
                data = b""
        now_s = time.monotonic()
        if not data:
            one.close()
            self._owner = None
            self._relay.owner_gone(now_s)
            return
        answer = b""
        for byte in data:
            answer += self._relay.read() if byte == ord("?") else self._relay.write(byte - ord("0"), now_s)
        with contextlib.suppress(OSError):
            one.sendall(answer)

    def _serve_bench(self, one: socket.socket) -> bool:
        """Returns False when all is to end."""
        try:
            data = one.recv(4096)
        except OSError:
            data = b""
        if not data:
            self._benches.remove(one)
            one.close()
            return True
        if data[:1] in b"01?":
            self._benches.remove(one)
            if self._owner is not None:
                with contextlib.suppress(OSError):
                    one.sendall(b"X")
                one.close()
                return True
            self._owner = one
            self._serve_owner(one, data)
            return True
        for order in data.decode().splitlines():
            if order == "end":
                return False
            answer = self._relay.order(order.split(), time.monotonic())
            if order == "reboot" and self._owner is not None:
                self._owner.close()
                self._owner = None
            with contextlib.suppress(OSError):
                one.sendall(answer.encode())
        return True


def main() -> int:
    parser = argparse.ArgumentParser(prog="hardware.simulated.fake_relay", description="See the module.")
    parser.add_argument("socket", help="path of the socket to serve")
    parser.add_argument("--release", choices=("strict", "persistent"), default="persistent")
    parser.add_argument("--timer", type=float, metavar="SECONDS", help="a retriggerable hardware timer")
    parser.add_argument(
        "--mirror", type=Path, metavar="FILE", help="file whose first byte follows the contact"
    )
    options = parser.parse_args()
    mirror = None
    if options.mirror is not None:
        with options.mirror.open("r+b") as file:
            mirror = mmap.mmap(file.fileno(), 1)
    relay = FakeRelay(options.release == "strict", options.timer, mirror)
    server = _Server(options.socket, relay)
    print("ready", flush=True)
    server.run()
    return 0


if __name__ == "__main__":
    sys.exit(main())
