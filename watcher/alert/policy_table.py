"""Every threshold there is, in one table keyed by finding.

hold and clear are evidence time: only points with a verdict for or against count, so nights and gaps move nothing.
The table's numbers are our own choices unless a source stands beside them; a site file's [policy] may override them.
"""

from __future__ import annotations

from collections.abc import Mapping

from watcher.alert.policy_meters import POLICY_OF_METER_PAPERS
from watcher.alert.policy_readings import READINGS
from watcher.alert.policy_references import POLICY_OF_REFERENCES
from watcher.alert.policy_row import HOME, PAID, TRADE, Policy, safety
from watcher.domain.alert import Severity
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, MINUTE_MS

POLICY: Mapping[Finding, Policy] = {
    Finding.EARTH_FAULT: safety(
        least_ohm=33_300.0,  # 1000 V / 30 mA, the least at which an inverter may start (IEC 62109-2, from memory)
        loss_share=0.3,
    ),
    Finding.ARC_FAULT: safety(),
    Finding.INVERTER_OVERHEATING: safety(
        hottest_degc=95.0,  # derating holds a heat sink at 70 to 85 degC (common practice, no source)
    ),
    Finding.SUPPLY_VOLTAGE_DANGER: safety(
        danger_v=273.7,  # 1.19 of 230 V, the second over-voltage step (EREC G98, from memory)
        apart_v=40.0,  # phases of one supply, when the neutral no longer holds them together (common practice)
    ),
    Finding.BATTERY_ALARM: safety(),
    Finding.METER_STALLED: Policy(
        hold_ms=0,
        clear_ms=15 * MINUTE_MS,
        severity=Severity.URGENT,  # payment stops at the last good reading
        audience=(*HOME, *PAID, *TRADE),
        limits={
            "steps": 2.6,  # register steps the inverter must have made (own study)
            "least_wh": 350.0,
            "still_minutes": 30.0,  # some registers are refreshed only every quarter of an hour
            "moved_hours": 2.0,  # a register that moved this lately moves
            "loss_share": 0.06,  # class B meter and a 4 % inverter, worst case
        },
    ),
    Finding.METER_REVERSED: Policy(
        hold_ms=0,
        clear_ms=15 * MINUTE_MS,
        severity=Severity.URGENT,  # every kWh made is taken off what was counted
        audience=(*HOME, *PAID, *TRADE),
        limits={
            "falls": 3.0,  # in a row: one is a misreading or an exchange, and now and then two are
            "steps": 2.0,
            "least_wh": 100.0,
            "least_share": 0.25,  # of what was made: what an inverter draws at night is less
            "most_share": 3.0,
            "moved_hours": 2.0,
            "loss_share": 0.06,
        },
    ),
    Finding.METER_RESTARTED: Policy(
        hold_ms=0,
        clear_ms=3 * DAY_MS,  # told once; then it counts on
        unit_ms=DAY_MS,
        severity=Severity.SOON,
        audience=(*PAID, *TRADE),
        limits={
            "least_wh": 5_000.0,  # a smaller fall is a misreading
            "known_days": 14.0,  # an exchange typed so far from it is taken for it
            "open_days": 30.0,  # so long nothing is compared while nobody says what it was
        },
    ),
    Finding.METER_NIGHT_ENERGY: Policy(
        hold_ms=0,
        clear_ms=3 * DAY_MS,
        unit_ms=DAY_MS,
        severity=Severity.PLANNED,
        audience=(*PAID, *TRADE),
        limits={
            "sun_deg": 4.0,  # below the horizon
            "steps": 2.0,
            "least_wh": 250.0,  # of one night (own study)
            "nights": 2.0,  # of the last five
            "little_steps": 3.0,  # of five nights together
            "little_wh": 200.0,  # 8 W in the short nights of summer come to 250
            "little_w": 60.0,  # what an inverter needs for itself is less
        },
    ),
    Finding.METER_SILENT: Policy(
        hold_ms=0,
        clear_ms=30 * MINUTE_MS,
        severity=Severity.SOON,
        audience=TRADE,
        limits={"hours": 6.0},
    ),
    Finding.METER_MISMATCH: Policy(
        hold_ms=0,  # the detector looks at whole days itself
        clear_ms=DAY_MS,
        unit_ms=DAY_MS,
        severity=Severity.SOON,
        audience=(*PAID, *TRADE),
        limits={
            "least_wh": 15_000.0,  # less than this decides nothing
            "least_steps": 40.0,  # of the coarser register: its step is then 2.5 % of the sum
            "unheard_share": 0.02,  # of the sunlit intervals
            "fine_share": 0.8,  # of the tolerance: below it the two agree again
            # Of a ratio that moves against its own history: how many times what the two may err, and how much at least,
            # over days and by a single day; over which part of that nothing is said to be well; and by how many errors
            # days after a repair must differ from those before it (own study).
            "moved_errors": 5.0,
            "moved_least": 0.012,
            "day_errors": 9.0,
            "day_least": 0.15,
            "near_share": 0.5,
            "sure_errors": 3.5,
            "inverter_step_wh": 100.0,  # the coarsest lifetime counter of a home inverter (common practice, no source)
            "loss_share": 0.3,
        },
    ),
    Finding.INVERTER_SILENT: Policy(
        hold_ms=60 * MINUTE_MS,
        clear_ms=15 * MINUTE_MS,
        severity=Severity.SOON,
        audience=TRADE,
        limits={
            "sun_deg": 10.0,
            "bound_share": 0.1,  # of the rating under a clear sky: awake in any weather
            "dark_hours": 4.0,  # most cuts of the supply are over by then (from memory)
        },
    ),
    Finding.GRID_VOLTAGE_TRIPS: Policy(
        hold_ms=0,  # the detector counts days itself
        clear_ms=3 * DAY_MS,  # of sun without one
        unit_ms=DAY_MS,
        severity=Severity.SOON,
        audience=(*HOME, *TRADE),
        limits={
            "high_v": 250.0,  # 3 V under the statutory 253 V: a mean hides the moment of the trip (own study)
            "trips": 2.0,  # a day
            "days": 2.0,
            "within_days": 7.0,
            "nothing_share": 0.002,  # of the rating: up to this is nothing
            "lit_share": 0.1,  # of the rating, at the lower edge: it must make something
            "strong_share": 0.4,  # of the rating: output that raises the voltage
            "rise_v": 5.0,  # by own output: twice the 1 % that a cable should take (common practice, no source)
            "loss_share": 0.3,
        },
    ),
    Finding.LATE_START: Policy(
        hold_ms=0,
        clear_ms=3 * DAY_MS,  # of mornings on which it starts in time
        unit_ms=DAY_MS,
        severity=Severity.SOON,
        audience=(*HOME, *TRADE),
        limits={
            "minutes": 45.0,  # of light enough
            "days": 2.0,
            "within_days": 7.0,
            "nothing_share": 0.002,  # of the rating
            # Of the rating, at the lower edge: inverters wake at 1 % (common practice, no source).
            "lit_share_measured": 0.015,
            "lit_share": 0.03,
            "sun_deg": 4.0,
            "snow_below_degc": 3.0,
            "low_voltage_share": 0.7,  # of what the panels show at work
            "loss_share": 0.3,
        },
    ),
    Finding.POWER_LIMITED: Policy(
        hold_ms=0,  # the detector counts days itself
        clear_ms=DAY_MS,
        unit_ms=DAY_MS,
        severity=Severity.SOON,
        audience=(*HOME, *TRADE),
        questions=("limit-unknown",),
        limits={
            "minutes": 30.0,  # of a day (own study)
            "days": 2.0,
            "within_days": 14.0,
            "under_share": 0.96,  # of the rating: above this it is the rating that holds it
            "works_share": 0.02,  # of the rating: less is twilight
            "lit_share": 0.15,  # of the rating, expected
            "could_more": 1.05,  # times what it gives, of light
            # A level that is new: how many days went how far over it; over is over by so many of them.
            "passed": 1.08,
            "passed_days": 2.0,
            "fine_days": 3.0,
            "fine_days_asked": 10.0,  # what follows the house or the heat comes back
            # Output stands still within so much for so long while the clear sky over it moves by so much.
            "flat_share": 0.01,
            "flat_minutes": 60.0,
            "sky_moves": 1.08,
            "same_level": 0.03,  # of the levels of several days: one setting
            # Held by what is not told: less than was due, under panels at so much more voltage (ln) than at work. A
            # cloud lowers voltage; from its greatest power to none a module gains a fifth.
            "as_due": 0.85,
            "due_more": 1.3,
            "raised": 0.05,
            "slack_w": 250.0,  # by which a limiter of exports may lag behind the house
            "hot_degc": 68.0,  # derating holds a heat sink at 70 to 85 degC (common practice, no source)
            "high_v": 252.0,  # output falls with the voltage from about here, where that is set (EREC G98, from memory)
            "loss_share": 0.3,
        },
    ),
    Finding.ENERGY_IMBALANCE: Policy(
        hold_ms=0,  # the detector asks for days that agree
        clear_ms=3 * DAY_MS,
        unit_ms=DAY_MS,
        severity=Severity.PLANNED,
        audience=TRADE,
        limits={
            "least_wh": 1_000.0,  # of a day, through a bus or into a battery: less decides nothing
            "least": 0.05,  # [ln] of out over in, against its own weeks before
            "least_through": 0.1,  # the same where some turns into heat: the less flows the more of it
            "errors": 6.0,  # of the days' own spread
            "near_share": 0.6,
        },
    ),
    Finding.VALUES_DRIFTING: Policy(
        hold_ms=0,  # the detector asks for five days that agree
        clear_ms=3 * DAY_MS,
        unit_ms=DAY_MS,
        severity=Severity.PLANNED,
        audience=TRADE,
        limits={
            "least": 0.02,  # [ln] an inverter's efficiency moves by less with heat and voltage (common practice)
            "errors": 6.0,  # of the days' own spread
            "errors_beside": 2.5,  # enough where the input has left the others by as much as that
            "near_share": 0.6,  # of that: nearer, they agree
            "beside_share": 0.5,  # by which the input's share beside the others may differ from what the balance asks
        },
    ),
    Finding.VALUES_STUCK: Policy(
        hold_ms=0,
        clear_ms=30 * MINUTE_MS,
        severity=Severity.SOON,
        audience=TRADE,
        limits={"minutes": 85.0},  # of one voltage beside one power: 90, less the interval it began in (own study)
    ),
    Finding.NO_GENERATION: Policy(
        hold_ms=0,
        clear_ms=30 * MINUTE_MS,
        severity=Severity.URGENT,
        audience=(*HOME, *TRADE),
        home_after_days=1,
        limits={
            "nothing_share": 0.002,  # of the rating: up to this is nothing
            "producing_share": 0.01,  # of the rating: above this clears
            "sun_deg": 8.0,
            # Hours of full power, at the lower edge, that must be missing (own study).
            "hours_measured": 0.2,
            "hours_peers": 0.35,
            "hours_satellite": 0.35,
            "hours_weather": 0.5,
            "bound_share": 0.05,  # of a clear sky: the darkest overcast still gives this much over a day
            "snow_below_degc": 5.5,  # on the mean of a day or two: a service's air errs by kelvins
            # What nothing counts for where snow may lie, at first and when it has lasted longer than snow does.
            "snow_weight": 0.02,
            "snow_days": 4.0,
            "snow_weight_later": 0.3,
            "wait_hours": 6.0,  # for sunshine that comes late
            "silent_weight": 0.65,  # of a silent inverter beside a still meter: found within three hours of sun (G2)
            "steps": 2.0,  # register steps such a meter must have failed to make
            "held_hours": 5.0,  # of light enough, in which its own protection may hold it off
            "dark_hours": 4.0,  # meter and inverter both without mains: a power cut in the street looks the same
            "loss_share": 0.05,  # at least: of what meters and inverters say of energy
        },
    ),
    Finding.STRING_OPEN: Policy(
        hold_ms=60 * MINUTE_MS,
        clear_ms=60 * MINUTE_MS,
        severity=Severity.SOON,
        audience=(*HOME, *TRADE),
        limits={
            "sun_deg": 10.0,
            "lit_share": 0.2,  # of the input's rating under a clear sky: the plane faces enough of it
            "works_share": 0.05,  # of its rating: another input makes something, so there is light
            "nothing_share": 0.02,  # of the rated current: up to this is none
            "flowing_share": 0.04,  # above this flows
            "wait_minutes": 60.0,  # for sunshine that comes late
            "strong_share": 0.2,
            "steady_intervals": 24.0,
            "loss_share": 0.2,
        },
    ),
    Finding.STRING_INTERMITTENT: Policy(
        hold_ms=0,  # the detector counts days itself
        clear_ms=2 * DAY_MS,
        unit_ms=DAY_MS,
        severity=Severity.URGENT,  # a contact that opens under load can arc
        audience=(*HOME, *TRADE),
        home_after_days=1,
        limits={
            "days": 2.0,
            "within_days": 8.0,
            "stronger": 1.1,  # of the current at which it broke: carried again, it is well
            "loss_share": 0.2,
        },
    ),
    Finding.STRING_LOW_VOLTAGE: Policy(
        hold_ms=0,
        clear_ms=DAY_MS,
        unit_ms=DAY_MS,
        severity=Severity.SOON,
        audience=(*HOME, *TRADE),
        limits={"loss_share": 0.2},
    ),
    Finding.MODULE_LOST: Policy(
        hold_ms=0,
        clear_ms=DAY_MS,
        unit_ms=DAY_MS,
        severity=Severity.SOON,
        audience=(*HOME, *TRADE),
        limits={
            "substring_share": 0.75,  # of a third of a module: a fall of voltage by less is none (own study)
            "deviations": 5.5,  # of the step by the days' own spread, which is not white
            "loss_share": 0.25,
        },
    ),
    Finding.STRING_LOW_CURRENT: Policy(
        hold_ms=0,
        clear_ms=DAY_MS,
        unit_ms=DAY_MS,
        severity=Severity.SOON,
        audience=(*HOME, *TRADE),
        limits={
            "evidence": 13.0,
            "forget_days": 30.0,
            # What a healthy contrast may drift in the square root of a day, and the least loss worth saying: beside
            # planes that agree, beside others, and by the reference alone.
            "drift_alike": 0.004,
            "least_alike": 0.05,
            "drift_apart": 0.01,
            "least_apart": 0.08,
            "drift_alone": 0.0075,
            "least_alone": 0.15,
            "snow_below_degc": 3.0,
            "loss_share": 0.2,
        },
    ),
    Finding.OUTPUT_LOW: Policy(
        hold_ms=0,  # the detector counts days itself: a day that settles again is still one day
        clear_ms=DAY_MS,
        unit_ms=DAY_MS,
        severity=Severity.SOON,
        audience=(*HOME, *TRADE),
        limits={
            "sun_deg": 5.0,
            "least_day_share": 0.06,  # of a good summer day: darker days are not judged (own study)
            "days_low": 2.0,
            "days_fine": 3.0,
            "margin_measured": 0.2,
            "margin_peers": 0.3,
            "margin_satellite": 0.35,
            "margin_weather": 0.5,
            "margin_sigmas": 3.0,  # of a day's error, where those are more
            "snow_below_degc": 5.5,  # on the mean of a day: a service's air errs by kelvins, and what fell lies on
            "snow_share": 0.5,  # of the usual: a plant that makes more than this is not under snow
            "loss_share": 0.05,  # at least: of what meters and inverters say of energy
            # Of the test against the plant's own level, once there is one: evidence at which it speaks (tests/bench/
            # limits.py), what a healthy level may drift in the square root of a day, the least loss worth saying, and
            # after how many days a loss is no step any more.
            "evidence_measured": 13.0,
            "evidence_peers": 14.5,
            "evidence_satellite": 15.0,
            "evidence_weather": 16.0,
            "fast_deviations": 8.0,  # two days running so far down, and so much [ln], need no more
            "fast_loss": 0.3,
            "closing_evidence": 9.0,
            "again_share": 0.45,  # of the evidence: reopens what closed lately
            "small_loss": 0.15,  # [ln] under it a sensor's own straying is looked for first
            "suspect_share": 0.3,  # of the evidence: over it a day belongs to no level
            "above_deviations": 2.5,  # nor so far above it
            "low_sun_unseen": 0.1,  # [ln] of shade that a summer's level hides from midwinter (own study)
            "drift_measured": 0.0055,
            "drift_peers": 0.006,
            "drift_satellite": 0.0075,
            "drift_weather": 0.0075,
            "least_measured": 0.05,
            "least_peers": 0.06,
            "least_satellite": 0.08,
            "least_weather": 0.13,
            "forget_days_measured": 30.0,
            "forget_days_peers": 40.0,
            "forget_days_satellite": 45.0,
            "forget_days_weather": 60.0,
            **READINGS,
        },
    ),
    **POLICY_OF_METER_PAPERS,
    **POLICY_OF_REFERENCES,
}
