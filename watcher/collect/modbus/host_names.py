"""The addresses behind a host name, looked up beside everything else.

Rule: a name server that hangs for minutes costs nobody but those who need that name. The lookup has a thread of its
own, one for each name, and is left behind at a limit; a later one waits for it rather than adding to it.
"""

from __future__ import annotations

import asyncio
import ipaddress
import socket

from watcher.threads import LeavableThreads

MOST = 4
"""Addresses of one name that are tried."""


class HostName:
    """host: a name or an address. port: for the lookup alone"""

    def __init__(self, host: str, port: int) -> None:
        self._host, self._port = host, port
        self._threads = LeavableThreads(1, "host-names", in_order=True)

    async def addresses(self, within_s: float) -> list[str]:
        """What to connect to, best first; an address stands for itself. OSError where the name leads nowhere."""
        if _is_address(self._host):
            return [self._host]
        loop = asyncio.get_running_loop()
        try:
            async with asyncio.timeout(within_s):
                return await loop.run_in_executor(self._threads, self._look)
        except TimeoutError:
            raise OSError(f"the name {self._host} cannot be looked up: the name server does not answer") from None
        except socket.gaierror:
            raise OSError(f"there is no such host as {self._host}") from None

    def _look(self) -> list[str]:
        found = socket.getaddrinfo(self._host, self._port, type=socket.SOCK_STREAM)
        return list(dict.fromkeys(str(address[0]) for *_, address in found))[:MOST]


def _is_address(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True
