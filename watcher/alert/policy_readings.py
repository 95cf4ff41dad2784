"""Thresholds for sites of which nothing is known but what people read from the meter; joined into policy_table.py.

The budget: at most one false accusation in a hundred site-decades, on every basis. Of 1,000 simulated healthy ones each
(python -m tests.bench.readings_fleet --healthy --seed 2000 --fleets 10) 1 was accused with satellite sunshine, 1 with
neighbours, none with a typical sky: under 0.6 in a hundred (95 %). They are no tighter, for real plants stray more.
"""

from __future__ import annotations

from collections.abc import Mapping

READINGS: Mapping[str, float] = {
    "readings_shape": 7.0,  # log likelihood at which something is taken to have happened at all
    "readings_evidence": 12.0,  # the same at which it is a fault
    # The least share of the output that is worth saying: what healthy plants and their references stray by.
    "readings_least_measured": 0.08,
    "readings_least_satellite": 0.10,
    "readings_least_weather": 0.14,
    "readings_least_peers": 0.14,
    "readings_least_none": 0.30,
    # The same where the onset lies less than a year after the first reading: its season was never seen well.
    "readings_least_unseen": 0.30,
    "readings_more": 0.15,  # output over the usual: a question about the record
    "readings_stopped": 0.85,  # lost of the output: a stop, not a part
    "readings_still": 0.02,  # made of the output by a register of which one reading suffices to say that it stands
    "readings_level": 0.97,  # what a healthy site makes of what its record allows (own simulation)
    "readings_level_low": 0.75,
    "readings_level_high": 1.25,
    "readings_level_sd": 0.08,
    "readings_unsteady": 0.35,
}
