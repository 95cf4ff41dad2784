"""From a site's source of pulses to its collector. Loaded where there is one."""

from __future__ import annotations

from watcher.collect.pulse.collector import PulseCollector
from watcher.collect.pulse.gpio import GpioInput
from watcher.collect.pulse.recorded import FollowedFile
from watcher.collect.pulse.source import PulseInput, file_of, line_of
from watcher.collect.pulse.train import Timing
from watcher.domain.site import MeterRole, Site, Source


def collector(site: Site, source: Source, counted: float) -> PulseCollector:
    """counted: where the meter's count stood when it was last stored."""
    line = line_of(source.address)
    heard: PulseInput = FollowedFile(file_of(source.address)) if line is None else GpioInput(line, source.bias)
    return PulseCollector(site.id, source, heard, timing_of(site, source), counted)


def timing_of(site: Site, source: Source) -> Timing:
    """How long pulses are, and how close they may come: at the rating of all that passes a generation meter."""
    meter = site.meter(source.device)
    rated_w: float | None = None
    if meter.role is MeterRole.GENERATION:
        rated_w = sum(inverter.ac_limit_w for inverter in site.inverters if inverter.id in meter.covers)
    return Timing.of(source.min_width_ms, source.pulses_per_kwh or meter.pulses_per_kwh, rated_w)
