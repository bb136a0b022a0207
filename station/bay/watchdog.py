"""Word to systemd, where it started the service: that it is ready, and that its engine still turns.

The pump does not wait for this: its guard switches off within 200 ms. Systemd restarts a service that hangs.
Source: sd_notify(3), whose protocol is one datagram of VARIABLE=value lines.
"""

import logging
import os
import socket

BEAT_S = 1.0
log = logging.getLogger(__name__)


def notify(text: str) -> bool:
    """Send a word such as ``READY=1`` or ``WATCHDOG=1``. Returns False where nobody listens; never blocks or raises."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return False
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sender:
            sender.setblocking(False)
            sender.sendto(text.encode(), "\0" + address[1:] if address.startswith("@") else address)
    except OSError as error:
        log.warning("systemd was not told %s: %s", text, error)
        return False
    return True
