"""Serve the pages over the double until told to stop: ``python -m tests.web.serving``. A view goes out every 50 ms."""

import threading
import time

from tests.web.fake_engine import FakeEngine, view_of
from web.server import serve


def main() -> None:
    engine = FakeEngine(view_of("fill"))
    over = threading.Event()

    def publish() -> None:
        start_s = time.monotonic()
        while not over.wait(0.05):
            engine.publish(view_of("fill", t_s=time.monotonic() - start_s))

    thread = threading.Thread(target=publish)
    thread.start()
    try:
        serve(engine, "127.0.0.1", 0)
    finally:
        over.set()
        thread.join()
    print(f"closed, {engine.subscribers} subscribers", flush=True)


if __name__ == "__main__":
    main()
