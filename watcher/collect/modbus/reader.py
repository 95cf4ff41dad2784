"""One SunSpec device from poll to poll: find its map, ask who it is, read what it measures.

Rule: the map is found once and trusted for as long as every poll finds the models where they were; who the device is,
is asked when it is found, when it has been away, and daily. Sans-IO, as in blocks.py: whether TCP or a serial line lies
between is the business of whoever drives the conversation.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from watcher.collect.modbus.blocks import Asking, UnansweredError
from watcher.collect.modbus.plan import Decoded, DeviceRole, MapMovedError, Plan, measures_of, wanted_models
from watcher.collect.modbus.sunspec import DeviceMap, NoMapError, discover, read_identity
from watcher.domain.errors import CollectError, Remedy
from watcher.domain.instant import DAY_MS


@dataclass(frozen=True, slots=True)
class Poll:
    """identity: only where it was read anew. notes: what is new for the log, each said once until it is over."""

    decoded: Decoded
    identity: Mapping[str, str] | None
    notes: tuple[str, ...]


class SunSpecReader:
    """device: its id in the site. counts: "exported" or "imported", for a generation meter."""

    def __init__(self, device: str, role: DeviceRole, counts: str) -> None:
        self.device, self.role, self.counts = device, role, counts
        self.plan: Plan | None = None
        self._map: DeviceMap | None = None
        self._ever_found = False
        self._asked_who_ms: int | None = None
        self._said: frozenset[str] = frozenset()

    def away(self) -> None:
        """The device does not answer. It may come back restarted, or as another."""
        self._asked_who_ms = None
        if self.plan:
            self.plan.blocks.retest()

    def poll(self, now_ms: int) -> Asking[Poll]:
        """Read everything once. CollectError where that is not possible."""
        try:
            found, plan = yield from self._known()
            identity = None
            if self._asked_who_ms is None or now_ms - self._asked_who_ms >= DAY_MS:
                identity = yield from read_identity(found, now_ms)
                self._asked_who_ms = now_ms
            decoded = yield from plan.read(now_ms)
            if torn := plan.torn():
                self.plan = plan = Plan(plan.models, plan.measures, plan.apart | torn)
                decoded = yield from plan.read(now_ms)
        except NoMapError as error:
            self.plan = self._map = None
            # A device that has shown its map before shows it again; a stranger that has none is a wrong address.
            remedy = Remedy.RETRY if self._ever_found else Remedy.FIX_SETUP
            raise CollectError(self.device, "looking for a SunSpec map", remedy, error) from error
        except MapMovedError as error:
            self.plan = self._map = None
            raise CollectError(self.device, "reading", Remedy.RETRY, error) from error
        except UnansweredError as error:
            raise CollectError(self.device, "reading", Remedy.RETRY, error) from error
        if decoded is None:
            self.plan = self._map = None
            raise CollectError(self.device, "reading", Remedy.RETRY, "it refuses every register of its own map")
        return Poll(decoded, identity or None, self._news(found, plan, decoded))

    def _known(self) -> Asking[tuple[DeviceMap, Plan]]:
        if self._map is None or self.plan is None:
            found = yield from discover()
            models = wanted_models(found, self.role)
            self._map = found
            self.plan = Plan(models, measures_of(models, self.device, self.role, self.counts))
            self._ever_found = True
            self._asked_who_ms = None
        return self._map, self.plan

    def _news(self, found: DeviceMap, plan: Plan, decoded: Decoded) -> tuple[str, ...]:
        if not (found.notes or plan.missing or decoded.unusable or self._said):
            return ()
        standing = [
            *found.notes,
            *(f"{label} is not available" for label in plan.missing),
            *(f"{label} has no usable scale factor" for label in decoded.unusable),
        ]
        news = tuple(note for note in standing if note not in self._said)
        self._said = frozenset(standing)
        return news
