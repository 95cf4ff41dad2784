"""What was injected into the simulated home held against what was found and who was told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from watcher.domain.alert import Alert
from watcher.domain.instant import DAY_MS, HOUR_MS, floor_grid, parse_iso


@dataclass(frozen=True, slots=True)
class Match:
    """One injected fault and the alert that answers it, or one of the two alone."""

    truth: dict[str, Any] | None
    alert: Alert | None


def match(truth: Sequence[dict[str, Any]], alerts: Sequence[Alert]) -> list[Match]:
    """Pair each injected fault with the first alert of its kind and device that begins while it lasts."""
    left = list(alerts)
    matches: list[Match] = []
    for line in truth:
        begin = parse_iso(line["onset"])
        end = parse_iso(line["cleared"]) if line["cleared"] else begin + 10 * DAY_MS
        found = next(
            (
                alert
                for alert in left
                if (alert.finding.value, alert.subject) == (line["kind"], line["device"])
                and floor_grid(begin) - HOUR_MS <= alert.onset_ms <= end
            ),
            None,
        )
        if found is not None:
            left.remove(found)
        matches.append(Match(line, found))
    return matches + [Match(None, alert) for alert in left]


def agrees(matches: Sequence[Match], mail_ids: Sequence[str]) -> bool:
    """Every fault found and cleared, nothing else, and one opening and one clearing mail per recipient."""
    for one in matches:
        if one.truth is None or one.alert is None or one.alert.cleared_ms is None:
            return False
        told = [id.removeprefix(one.alert.id).split("#")[1:] for id in mail_ids if id.startswith(one.alert.id)]
        roles = {role for _, role, _ in told}
        if sorted((reason, role) for reason, role, _ in told) != sorted(
            (reason, role) for reason in ("opened", "cleared") for role in roles
        ):
            return False
        if not roles:
            return False
    alert_ids = [one.alert.id for one in matches if one.alert is not None]
    return all(any(id.startswith(alert_id) for alert_id in alert_ids) for id in mail_ids)
