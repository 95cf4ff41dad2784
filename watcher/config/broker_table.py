"""The watcher file's tables of MQTT brokers, one [[broker]] each.

Rule: a broker is named by its address, as sites name it; secrets and certificates stand here and in no site file. A
password is not sent over a line that others can read, but on this machine.
"""

from __future__ import annotations

import ssl
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from watcher.collect.mqtt.settings import BrokerSettings, Version
from watcher.config.address import address_fault
from watcher.config.checked_toml import Key, Keys, Page, needed, one_of, shown, text
from watcher.config.secret_keys import says_secret, secret_keys, secret_of
from watcher.domain.errors import Problem
from watcher.domain.site import SourceKind

_FILE = text(r"[^\x00-\x1f\x7f]+", "must be the path of a file, in quotes")


def _address() -> Key:
    fault = address_fault(SourceKind.MQTT, "")

    def take(value: Any) -> str:
        if not isinstance(value, str) or address_fault(SourceKind.MQTT, value):
            raise ValueError
        return value

    return Key(take, fault)


BROKER: Keys = {
    "address": needed(_address()),
    "user": text(r"[^\x00-\x1f\x7f]+", "must be a user name, in quotes"),
    **secret_keys("password"),
    "ca_file": _FILE,
    "certificate_file": _FILE,
    "key_file": _FILE,
    "client_id": text(r"[\x21-\x7e]{1,64}", "must be 1 to 64 plain letters, digits and signs"),
    "version": one_of(Version),
}


def brokers_of(
    page: Page,
    tables: list[Mapping[str, Any]],
    beside: Path,
    environment: Mapping[str, str],
    warnings: list[Problem],
) -> dict[str, BrokerSettings]:
    """The brokers of a watcher file by address. The page says what is wrong."""
    found: dict[str, BrokerSettings] = {}
    for at, table in enumerate(tables):
        path, address = f"broker[{at}]", table.get("address", "")
        password = secret_of(page, path, "password", table, beside, environment, warnings)
        if address and address in found:
            page.wrong(f"{path}.address", "stands twice; keep one", shown(address))
        if "user" in table and not says_secret(table, "password"):
            page.wrong(f"{path}.password", "missing; the user has one: give password_file or password_env")
        if says_secret(table, "password") and "user" not in table:
            page.wrong(f"{path}.user", "missing; the password has no user")
        if address.startswith("mqtt:") and says_secret(table, "password") and not _on_this_machine(address):
            page.wrong(f"{path}.address", "would send the password readable to all; use mqtts://", shown(address))
        _certificates(page, path, table, beside)
        files = {key: beside / table[key] for key in ("ca_file", "certificate_file", "key_file") if key in table}
        rest = {key: table[key] for key in ("user", "client_id", "version") if key in table}
        found[address] = BrokerSettings(
            address, password=password.reveal if password is not None else None, **files, **rest
        )
    return found


def _on_this_machine(address: str) -> bool:
    host = address.removeprefix("mqtt://").rpartition(":")[0]
    return host in ("localhost", "127.0.0.1", "[::1]")


def _certificates(page: Page, path: str, table: Mapping[str, Any], beside: Path) -> None:
    """The files are there and are what they are said to be. Nothing is asked of the broker."""
    given = [key for key in ("ca_file", "certificate_file", "key_file") if key in table]
    if given and table.get("address", "").startswith("mqtt:"):
        page.wrong(
            f"{path}.{given[0]}", "belongs to mqtts://, where the line is closed to others", shown(table[given[0]])
        )
        return
    for one, other in (("certificate_file", "key_file"), ("key_file", "certificate_file")):
        if one in table and other not in table:
            page.wrong(f"{path}.{other}", f"missing; {one} goes with it")
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    if "ca_file" in table:
        try:
            context.load_verify_locations(beside / table["ca_file"])
        except (OSError, ValueError) as error:
            page.wrong(f"{path}.ca_file", _why(error, "certificates"), shown(table["ca_file"]))
    if "certificate_file" in table and "key_file" in table:
        try:
            context.load_cert_chain(beside / table["certificate_file"], beside / table["key_file"], password="")
        except (OSError, ValueError) as error:
            page.wrong(
                f"{path}.certificate_file",
                _why(error, "a certificate that goes with the unprotected key in key_file"),
                shown(table["certificate_file"]),
            )


def _why(error: OSError | ValueError, wanted: str) -> str:
    if isinstance(error, ssl.SSLError) or not isinstance(error, OSError):
        return f"does not hold {wanted}, in PEM form"
    return f"cannot be read: {error.strerror or error}"
