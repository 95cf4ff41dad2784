"""The firm whose name stands under the letters: whom a homeowner calls, and where mail comes from."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Firm:
    """name, phone: as people know them; "" where none is given, and letters then speak of the installer.

    sender: the address mail comes from, bare ("solar@firm.example") or with a name ("Firm <solar@firm.example>")
    """

    name: str = ""
    phone: str = ""
    sender: str = ""
