"""The guard itself, its pin being a fake relay's socket instead of a file: nothing else of it is changed.

    python guard_on_relay.py GUARD.py --pin-file SOCKET [--off]

GUARD.py is the shipped one, or a copy with a fault planted.
"""

import importlib.util
import socket
import sys
import time


class SocketPin:
    """The driver of a pin that lives in another process."""

    def __init__(self, path: str) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            self._socket.connect(path)
        except OSError as error:
            raise guard.PinTaken(f"{path} cannot be opened: {error}") from error
        # A one-shot may come while the kernel has not yet noticed that the owner is dead.
        for _ in range(50):
            self._socket.sendall(b"?")
            answer = self._socket.recv(1)
            if answer in (b"0", b"1"):
                return
            self._socket.close()
            time.sleep(0.01)
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            self._socket.connect(path)
        raise guard.PinTaken(f"{path} is owned by another guard; stop that one first")

    def write(self, level: int) -> None:
        self._socket.sendall(b"%d" % level)
        self._socket.recv(1)  # the answer is not to be trusted: the level is read back

    def read(self) -> int:
        self._socket.sendall(b"?")
        return int(self._socket.recv(1) == b"1")


name = sys.argv.pop(1)
spec = importlib.util.spec_from_file_location("guard", name)
if spec is None or spec.loader is None:
    raise SystemExit(f"{name} cannot be loaded")
guard = importlib.util.module_from_spec(spec)
sys.modules["guard"] = guard
spec.loader.exec_module(guard)
file_pin = guard.FilePin


def pin_of(path: str) -> object:
    """A relay's socket, or a pin file where it is called so."""
    return file_pin(path.removeprefix("file:")) if path.startswith("file:") else SocketPin(path)


guard.FilePin = pin_of  # type: ignore[attr-defined]
sys.exit(guard.main())
