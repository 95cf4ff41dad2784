"""What was really wrong with the simulated home, in the lines that a replay writes.

Rule: truth names a fault the way a watcher should: finding, subject, cause, from when to when, and what it cost.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from watcher.domain.instant import iso
from watcher.simulate.faults import Fault


@dataclass(slots=True)
class Account:
    """lost_wh: what the fault has cost by the start of the minute that is running.

    For a fault of the plant: energy that was not made. For a stalled meter: energy that went by without being
    counted. A silent meter goes on counting, so it costs nothing.
    """

    fault: Fault
    lost_wh: float = 0.0


def truth_lines(
    site: str, accounts: Sequence[Account], lost_wh: Sequence[float], now_ms: int
) -> list[dict[str, object]]:
    """One line for each fault that has begun, by onset, kind and device."""
    lines: list[dict[str, object]] = []
    for account, lost in zip(accounts, lost_wh, strict=True):
        fault = account.fault
        if fault.at_ms > now_ms or fault.finding is None:
            continue
        cleared = fault.until_ms if fault.until_ms is not None and fault.until_ms <= now_ms else None
        lines.append(
            {
                "type": "alert",
                "site": site,
                "device": fault.subject,
                "kind": str(fault.finding),
                "cause": fault.cause,
                "onset": iso(fault.at_ms),
                "cleared": None if cleared is None else iso(cleared),
                "loss_kwh": round(lost / 1000, 3),
                "state": "open" if cleared is None else "cleared",
            }
        )
    return sorted(lines, key=lambda line: (str(line["onset"]), str(line["kind"]), str(line["device"])))
