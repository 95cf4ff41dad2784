"""Case D1 through `watcher import`: the October hour that happens twice, from the file to the store."""

from __future__ import annotations

import pytest

from tests.commands.conftest import Place
from watcher.domain.instant import iso
from watcher.store.readings import SqliteReadings

MAP = """
[time]
column = "time"
format = "%Y-%m-%d %H:%M"
zone = "Europe/London"
label = "instant"
[[column]]
name = "index"
channel = "meter-1.energy_index"
unit = "kWh"
"""


@pytest.mark.parametrize(
    ("rows", "times", "energy_wh"),
    [
        pytest.param(
            "00:30 700.0 | 01:00 700.1 | 01:30 700.2 | 01:00 700.3 | 01:30 700.4 | 02:00 700.5",
            "23:30 00:00 00:30 01:00 01:30 02:00", 500.0, id="L1 both passes",
        ),
        pytest.param(
            "00:30 700.0 | 01:00 700.1 | 01:30 700.2 | 02:00 700.5", "23:30 00:00 00:30 02:00", 500.0, id="L2 first"
        ),
        pytest.param("00:30 700.0 | 01:30 700.4 | 02:00 700.5", "23:30 01:30 02:00", 500.0, id="L3 second"),
        pytest.param("00:30 700.0 | 01:30 700.0 | 02:00 700.0", "23:30 00:30 02:00", 0.0, id="L4 cannot be told"),
    ],
)  # fmt: skip
def test_case_d1_a_local_log_is_imported_without_losing_a_row(
    place: Place, rows: str, times: str, energy_wh: float
) -> None:
    table, map = place.folder / "log.csv", place.folder / "log.toml"
    table.write_text(
        "time,index\n" + "".join(f"2026-10-25 {row.strip().replace(' ', ',')}\n" for row in rows.split("|"))
    )
    map.write_text(MAP)
    code, _, _ = place.run("import", table, "--site", "home-1", "--columns", map)
    assert code == 0
    with SqliteReadings.open_reader(place.files.readings) as readings:
        stored = readings.window("home-1", ["meter-1.energy_index"], 0, 2**62, 2**62)["meter-1.energy_index"]
    assert " ".join(iso(at)[11:16] for at in stored.time_ms) == times
    assert stored.value[-1] - stored.value[0] == pytest.approx(energy_wh)
