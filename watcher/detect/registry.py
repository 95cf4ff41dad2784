"""Every detector there is, in the order they are asked: who explains comes before who is explained."""

from __future__ import annotations

from watcher.detect.arc_fault import ArcFault
from watcher.detect.area_event import AreaEvent
from watcher.detect.battery_alarm import BatteryAlarm
from watcher.detect.clock_wrong import ClockWrong
from watcher.detect.earth_fault import EarthFault
from watcher.detect.energy_imbalance import EnergyImbalance
from watcher.detect.grid_voltage_trips import GridVoltageTrips
from watcher.detect.inverter_overheating import InverterOverheating
from watcher.detect.inverter_silent import InverterSilent
from watcher.detect.late_start import LateStart
from watcher.detect.meter_certification_due import MeterCertificationDue
from watcher.detect.meter_display_drift import MeterDisplayDrift
from watcher.detect.meter_mismatch import MeterMismatch
from watcher.detect.meter_night_energy import MeterNightEnergy
from watcher.detect.meter_restarted import MeterRestarted
from watcher.detect.meter_reversed import MeterReversed
from watcher.detect.meter_silent import MeterSilent
from watcher.detect.meter_stalled import MeterStalled
from watcher.detect.meter_unreadable import MeterUnreadable
from watcher.detect.module_lost import ModuleLost
from watcher.detect.no_generation import NoGeneration
from watcher.detect.output_low import OutputLow
from watcher.detect.power_limited import PowerLimited
from watcher.detect.reading_doubtful import ReadingDoubtful
from watcher.detect.reference_silent import ReferenceSilent
from watcher.detect.reference_wrong import ReferenceWrong
from watcher.detect.scene import Detector
from watcher.detect.site_record_wrong import SiteRecordWrong
from watcher.detect.string_intermittent import StringIntermittent
from watcher.detect.string_low_current import StringLowCurrent
from watcher.detect.string_low_voltage import StringLowVoltage
from watcher.detect.string_open import StringOpen
from watcher.detect.supply_voltage_danger import SupplyVoltageDanger
from watcher.detect.values_drifting import ValuesDrifting
from watcher.detect.values_stuck import ValuesStuck

DETECTORS: tuple[Detector, ...] = (
    EarthFault(),
    ArcFault(),
    InverterOverheating(),
    SupplyVoltageDanger(),
    BatteryAlarm(),
    AreaEvent(),
    MeterReversed(),
    MeterRestarted(),
    MeterNightEnergy(),
    MeterStalled(),
    MeterSilent(),
    InverterSilent(),
    ValuesStuck(),
    MeterMismatch(),
    MeterUnreadable(),
    ReadingDoubtful(),
    MeterDisplayDrift(),
    MeterCertificationDue(),
    GridVoltageTrips(),
    LateStart(),
    NoGeneration(),
    PowerLimited(),
    StringIntermittent(),
    StringOpen(),
    ModuleLost(),
    StringLowVoltage(),
    StringLowCurrent(),
    ReferenceSilent(),
    ReferenceWrong(),
    SiteRecordWrong(),
    OutputLow(),
    ValuesDrifting(),
    EnergyImbalance(),
    ClockWrong(),
)
