"""What the watcher file says of a broker. Light: it is read whether or not there is one."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path


class Version(StrEnum):
    """Of the protocol."""

    V3_1_1 = "3.1.1"
    V5 = "5"


@dataclass(frozen=True, slots=True)
class BrokerSettings:
    """address: "mqtt://host:port", or "mqtts://host:port", where the broker's certificate is always checked.

    user, password: both there or both not ("" and None); password gives it when it is needed
    ca_file: whose signature makes the broker's certificate good; None for the authorities this machine knows
    certificate_file, key_file: what we show of ourselves, both or neither
    client_id: under which the broker keeps what comes while we are away; "" for one of our own
    """

    address: str
    user: str = ""
    password: Callable[[], str] | None = None
    ca_file: Path | None = None
    certificate_file: Path | None = None
    key_file: Path | None = None
    client_id: str = ""
    version: Version = Version.V3_1_1


def own_client_id(host: str, data_folder: Path) -> str:
    """The same at every start on this machine, and another for another data folder: the broker keeps a session by it.

    Twenty-three letters and digits at most, which every broker must take (MQTT 3.1.1, 3.1.3.1).
    """
    return "pvwatcher" + hashlib.sha256(f"{host} {data_folder}".encode()).hexdigest()[:14]
