"""Tells the service manager that we are ready, alive or stopping (the sd_notify protocol, a datagram).

Does nothing where NOTIFY_SOCKET is not set.
"""

from __future__ import annotations

import os
import socket


def notify(state: str) -> bool:
    """Send one state such as READY=1; whether there was anyone to tell."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return False
    if address.startswith("@"):  # an abstract socket
        address = "\0" + address[1:]
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as channel:
        try:
            channel.sendto(state.encode(), address)
        except OSError:
            return False
    return True


def watchdog_interval_s() -> float | None:
    """How often to say we are alive: half of what the service manager allows; None where it does not watch us."""
    allowed_us = os.environ.get("WATCHDOG_USEC", "")
    return int(allowed_us) / 2e6 if allowed_us.isdecimal() and int(allowed_us) > 0 else None
