"""What an address looks like, by the kind of source. Text in, a sentence out; no name is looked up."""

from __future__ import annotations

import re

from watcher.domain.site import SourceKind

_HOST = r"(?:[A-Za-z0-9](?:[A-Za-z0-9.-]*[A-Za-z0-9])?|\[[0-9A-Fa-f:.]+\])"
_PORT = r":(?P<port>[0-9]{1,5})"

_SHAPES = {
    SourceKind.MODBUS_TCP: (_HOST + _PORT, 'must be "host:port", such as "192.168.1.20:502"'),
    SourceKind.MODBUS_RTU: (
        r"/\S+",
        'must be a serial device, such as "/dev/serial/by-id/usb-...": that name stays when it is plugged in elsewhere',
    ),
    SourceKind.MQTT: (
        rf"mqtts?://{_HOST}{_PORT}",
        'must be "mqtt://host:port" or "mqtts://host:port", without user or password',
    ),
    SourceKind.WEATHER: (
        rf"https?://{_HOST}(?:{_PORT})?(?:/\S*)?",
        'must be "https://host" or "http://host:port", with a path where there is one',
    ),
    SourceKind.PULSE: (
        r"gpio:/dev/\S+/[0-9]{1,4}|file:\S.*",
        'must be "gpio:/dev/gpiochip0/17", the chip and the number of its line, or "file:PATH" of a file of edges',
    ),
    SourceKind.FILE: (r"\S.*", "must be the path of a file"),
    SourceKind.TYPED: ("", "must be left out: a person reads this meter"),
    SourceKind.NEIGHBOURS: ("", "must be left out: neighbouring sites have no address, they are named in sites"),
}


def address_fault(kind: SourceKind, address: str) -> str:
    """What an address of this kind must be, where this one is not; "" where it is."""
    shape, allowed = _SHAPES[kind]
    match = re.fullmatch(shape, address)
    if match is None:
        return allowed
    port = match.groupdict().get("port")
    return "" if port is None or 1 <= int(port) <= 65_535 else "the port must be 1 to 65535"


def port_of(address: str) -> tuple[str, int]:
    """Host and port of a "host:port". ValueError where it is none."""
    if address_fault(SourceKind.MODBUS_TCP, address):
        raise ValueError(f"{address!r} is not host:port")
    host, _, port = address.rpartition(":")
    return host.strip("[]"), int(port)
