"""Tables with every ugliness: readings come out, finite and once an instant, and counts of what was refused.

`python -m tests.config.fuzz_rows --count 100000` prints one line of figures; a short run is among the tests. Seeded, so
that a find can be found again.
"""

from __future__ import annotations

import argparse
import math
import random
from collections import Counter

from watcher.domain.errors import SetupError
from watcher.table.columns import load_columns, read_table

HEADING = "time,device,power,index,status\n"
COLUMNS = """
[[column]]
name = "power"
channel = "inverter-1.ac_power"
unit = "kW"
where = { device = "A" }
[[column]]
name = "index"
channel = "meter-1.energy_index"
unit = "kWh"
"""
MAPS = [
    load_columns(f'{file}[time]\ncolumn = "time"\n{time}\n{COLUMNS}', "map.toml")
    for file, time in (
        ("", 'zone = "UTC"\nlabel = "instant"'),
        ("", 'zone = "Europe/London"\nlabel = "end"\nperiod_s = 300'),
        ("", 'zone = "Europe/London"\nlabel = "middle"\nperiod_s = 1800\nformat = "%d/%m/%Y %H:%M"'),
        ('decimal = ","\ndelimiter = ";"\n', 'zone = "-07:00"\nlabel = "start"\nperiod_s = 60'),
        ('missing = ["-", "n/a"]\n', 'zone = "Europe/Lisbon"\nlabel = "instant"'),
    )
]
CELLS = (
    *("", " ", "-", "n/a", "NaN", "nan", "inf", "-inf", "1e308", "-1e308", "1e309", "9" * 400, "0", "-0", "1,5", "1.5"),
    *("1.5e3", "0x10", "1_000", "1 000", "1.000,5", "--1", "+1", "٣", "½", "1\u00a0000", "1\x00", '"', '"1"', '"a\nb"'),
    *("A", "B", "TRUE", "None", "=1+1", "\ufeff1", "\u202e1", "\ud7ff", "700.1", "700.2", "-5", "6.5e-320"),
)
STAMPS = (
    *("2026-10-25 00:30", "2026-10-25 01:00", "2026-10-25 01:30", "2026-10-25 01:00", "2026-10-25 02:00"),
    *("2026-03-29 00:30", "2026-03-29 01:30", "2026-03-29 02:00", "2026-06-21T10:35:00.250+01:00", "2026-06-21"),
    *("21/06/2026 10:35", "25/10/2026 01:30", "29/03/2026 01:30", "31/06/2026 10:35", "0001-01-01 00:00", "24:00"),
    *("9999-12-31 23:59", "9999-12-31T23:59:59+00:00", "1969-12-31 23:59", "1785926100", "2026-06-21 10:35 PM"),
    *("0001-01-01T00:00:00+14:00", "2026-06-21T10:35:00.9999999Z", "2026-02-30 00:00", "2026-10-25T01:30:00-12:00"),
)


def row(chance: random.Random, delimiter: str) -> str:
    """A line: mostly of the right shape, at times with a cell too many or too few, or a quotation mark left open."""
    if chance.random() < 0.6:
        day, month = chance.choice((25, 26)), 10
        hour, minute = chance.randrange(4), 30 * chance.randrange(2)
        stamp = f"2026-{month}-{day} {hour:02}:{minute:02}"
    else:
        stamp = chance.choice(STAMPS)
    cells = [stamp, chance.choice(("A", "A", "B", "")), *(chance.choice(CELLS) for _ in range(3))]
    if chance.random() < 0.5:
        cells[2:4] = [f"{chance.uniform(0, 4):.3f}", f"{chance.uniform(0, 9000):.1f}"]
    if chance.random() < 0.05:
        cells = cells[: chance.randrange(6)] if chance.random() < 0.5 else [*cells, chance.choice(CELLS)]
    line = delimiter.join(cells)
    if chance.random() < 0.02:
        place = chance.randrange(len(line) + 1)
        line = line[:place] + chance.choice(('"', "\x00", "\r", delimiter, "\U0001f31e")) + line[place:]
    return line + "\n"


def fuzz(count: int, seed: int) -> Counter[str]:
    """Read so many rows, a few a table. AssertionError where a promise is broken."""
    chance, found = random.Random(seed), Counter[str]()
    while found["rows"] < count:
        map = chance.choice(MAPS)
        lines = [row(chance, map.delimiter) for _ in range(chance.randrange(1, 40))]
        found["rows"] += len(lines)
        found["tables"] += 1
        try:
            table = read_table([HEADING.replace(",", map.delimiter), *lines], map)
        except SetupError:
            found["tables refused"] += 1
            continue
        seen: set[tuple[str, int]] = set()
        for channel, time_ms, value in table.readings:
            assert math.isfinite(value), (channel, time_ms, value)
            assert (channel, time_ms) not in seen, (channel, time_ms)
            seen.add((channel, time_ms))
        found["values stored"] += len(table.readings)
        found["refusals told"] += len(table.refused)
    return found


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--count", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    found = fuzz(options.count, options.seed)
    print(f"seed {options.seed}: " + ", ".join(f"{number} {what}" for what, number in found.items()))


if __name__ == "__main__":
    main()
