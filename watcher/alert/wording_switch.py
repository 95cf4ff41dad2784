"""The one thing that anybody at home may be asked to try, and when: the solar switch on the mains side, once.

Rule: only where nothing is generated because the mains side is off, where no warning about safety stands at the site,
and where the site's file allows it. Whoever does not know what stands at the site may not say it.
"""

from __future__ import annotations

from collections.abc import Iterable

from watcher.alert.policy import POLICY
from watcher.domain.alert import Alert, AlertClass
from watcher.domain.finding import Finding
from watcher.domain.site import Site

SWITCH_STEPS = (
    "Please look at the switch that joins your solar panels to the mains. It is often near the fuse box and marked "
    "solar. Do not use one that is marked DC.",
    "If it is locked, has a label that says to leave it, or someone is at work, leave it as it is.",
    "If it is just off, all is dry, and you see no burn mark and smell nothing, turn it on once.",
    "If it goes off again, leave it off and call.",
)
LOOK_ONLY = "Apart from that one switch: please look, but do not touch."
"""In place of the general warning's first sentence."""

_MAINS_SIDE = ("ac-side-off", "circuit-off-upstream")


def may_tell(alert: Alert, site: Site, standing: Iterable[Alert] | None) -> bool:
    """Whether a home may be asked to look at its switch. standing: the site's alerts now, None for not known"""
    return (
        alert.finding is Finding.NO_GENERATION
        and len(alert.causes) == 1
        and alert.causes[0] in _MAINS_SIDE
        and site.switch_step
        and standing is not None
        and not any(POLICY[other.finding].alert_class is AlertClass.SAFETY for other in standing)
    )
