"""Every detector there is, in the order they are asked: who explains comes before who is explained."""

from __future__ import annotations

from watcher.detect.clock_wrong import ClockWrong
from watcher.detect.inverter_silent import InverterSilent
from watcher.detect.meter_mismatch import MeterMismatch
from watcher.detect.meter_silent import MeterSilent
from watcher.detect.meter_stalled import MeterStalled
from watcher.detect.no_generation import NoGeneration
from watcher.detect.output_low import OutputLow
from watcher.detect.scene import Detector
from watcher.detect.string_open import StringOpen

DETECTORS: tuple[Detector, ...] = (
    MeterStalled(),
    MeterSilent(),
    InverterSilent(),
    MeterMismatch(),
    NoGeneration(),
    StringOpen(),
    OutputLow(),
    ClockWrong(),
)
