"""What an inspection settles.

Rule: an inspection of a device settles every safety alert that stands on it; one recorded for an alert settles that
alert alone, whatever its class. What was seen before it is dealt with; what is seen after it is news.
"""

from __future__ import annotations

from watcher.alert.policy import Policies
from watcher.domain.alert import Alert, AlertClass
from watcher.domain.event import Event, EventKind


def settles(event: Event, alert: Alert, table: Policies) -> bool:
    """Whether an event is the inspection that ends an alert."""
    if event.kind is not EventKind.INSPECTED or event.at_ms < alert.onset_low_ms:
        return False
    if "alert" in event.values:
        return event.values["alert"] == alert.id
    same = event.subject.partition(".")[0] == alert.subject.partition(".")[0]
    return same and table[alert.finding].alert_class is AlertClass.SAFETY
