"""One device from poll to poll by its register map.

Rule: what the map asks for and the device does not have is said once and costs only itself; what a device says outside
the range of its quantity is no measurement, and said too, for it is mostly a slip in the map. A value and its scale
register come out of the same request where the device allows it (plan.py). Sans-IO, as in blocks.py.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from watcher.collect.modbus.blocks import ILLEGAL_FUNCTION, Asking, UnansweredError
from watcher.collect.modbus.map_numbers import decoder
from watcher.collect.modbus.models import INDEX_POINTS, METER_CHANNELS
from watcher.collect.modbus.plan import Decoded, DeviceRole, Measure, Plan
from watcher.collect.modbus.reader import Poll
from watcher.collect.modbus.register_map import MapPoint, RegisterMap
from watcher.domain.errors import CollectError, Remedy
from watcher.domain.quantity import channel

INDEX = "energy_index"
_COUNTED_AS: Mapping[str, str] = {counts: METER_CHANNELS[point] for counts, point in INDEX_POINTS.items()}


def measures_of_map(registers: RegisterMap, device: str, role: DeviceRole, counts: str) -> tuple[Measure, ...]:
    """Everything a map has that is worth asking for, as channels of a device.

    The index of a generation meter is the map's own, or where it has none the one of the two energies that the site
    says counts up (`counts`, as for a SunSpec meter).
    """
    points = registers.read_points()
    measures = [_measure(point, f"{device}.{point.name}") for point in points]
    if role == "generation-meter" and all(point.name != INDEX for point in points):
        measures += [_measure(p, f"{device}.{INDEX}") for p in points if p.name == _COUNTED_AS[counts]]
    return tuple(measures)


def _measure(point: MapPoint, channel_name: str) -> Measure:
    kind = point.quantity.kind
    return Measure(channel_name, point.label, decoder(point), point.value, point.scale_register, kind, None)


class RegisterMapReader:
    """device: its id in the site. counts: "exported" or "imported", for a generation meter."""

    def __init__(self, device: str, registers: RegisterMap, role: DeviceRole, counts: str) -> None:
        self.device, self.registers = device, registers
        self.plan = Plan((), measures_of_map(registers, device, role, counts), most=registers.max_registers)
        self._ranges = {
            measure.channel: (measure.label, channel(measure.channel).quantity) for measure in self.plan.measures
        }
        self._lacks_index = role == "generation-meter" and f"{device}.{INDEX}" not in self._ranges
        self._ever_read = False
        self._said: frozenset[str] = frozenset()

    def away(self) -> None:
        """The device does not answer. It may come back restarted, or as another."""
        self.plan.blocks.retest()

    def poll(self, now_ms: int) -> Asking[Poll]:
        """Read everything once. CollectError where that is not possible."""
        # A device that has answered by this map before will do so again; a stranger is at a wrong address or map.
        remedy = Remedy.RETRY if self._ever_read else Remedy.FIX_SETUP
        try:
            decoded = yield from self.plan.read(now_ms)
            if torn := self.plan.torn() if decoded else self._together():
                apart = Plan((), self.plan.measures, self.plan.apart | torn, self.plan.most)
                if again := (yield from apart.read(now_ms)):
                    self.plan, decoded = apart, again
        except UnansweredError as error:
            if error.refused.code != ILLEGAL_FUNCTION:
                remedy = Remedy.RETRY
            raise CollectError(self.device, "reading", remedy, error) from error
        if decoded is None:
            told = f'it refuses every register of the map "{self.registers.name}"'
            raise CollectError(self.device, "reading", remedy, told)
        self._ever_read = True
        impossible = tuple(self._impossible(decoded.values))
        if impossible:
            wrong = {name for name, _ in impossible}
            possible = {name: value for name, value in decoded.values.items() if name not in wrong}
            decoded = Decoded(possible, decoded.unusable, decoded.moved)
        return Poll(decoded, None, self._news(decoded, [note for _, note in impossible]))

    def _together(self) -> frozenset[Measure]:
        """What is asked for in one request with its scale register; where all is refused, that may be why."""
        return frozenset(m for m in self.plan.measures if m.factor is not None and m not in self.plan.apart)

    def _impossible(self, values: Mapping[str, float]) -> Iterator[tuple[str, str]]:
        for name, value in values.items():
            label, quantity = self._ranges[name]
            if not quantity.low <= value <= quantity.high:
                yield name, f"{label} is outside {quantity.low:.12g} to {quantity.high:.12g} {quantity.unit}".rstrip()

    def _news(self, decoded: Decoded, impossible: list[str]) -> tuple[str, ...]:
        standing = [
            *(["the map has no index for a generation meter"] if self._lacks_index else []),
            *(f"{label} is not available" for label in self.plan.missing),
            *(f"{label} has no usable scale factor" for label in decoded.unusable),
            *impossible,
        ]
        news = tuple(dict.fromkeys(note for note in standing if note not in self._said))
        self._said = frozenset(standing)
        return news
