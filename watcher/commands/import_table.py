"""`watcher import`: a table of measured values into the store.

A site that was never judged takes the table as its history, as if every row had come on time. For one that was
judged the rows are late, which is what they are. Doing it twice changes nothing.
"""

from __future__ import annotations

import gzip
import io
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TextIO

from watcher.clock import SystemClock
from watcher.config import load_sites, load_watcher
from watcher.domain.errors import Problem, SetupError
from watcher.domain.quantity import WEATHER_DEVICES
from watcher.domain.site import Label, SiteRecord
from watcher.store.choice import open_writer
from watcher.store.ledger import Ledger
from watcher.table.columns import ColumnMap, Stamp, TableRead, load_columns, read_table
from watcher.wiring import Files


def import_table(watcher_file: Path, table: Path, site: str, map_file: Path) -> int:
    """Import and say what became of every row; 0 where at least one value was kept."""
    config = load_watcher(watcher_file)
    found = load_sites(config.sites_folder)
    if site not in found.good:
        allowed = f"no such site, or its file has problems; there are {', '.join(sorted(found.good)) or 'none'}"
        raise SetupError((Problem(str(config.sites_folder), "site", site, allowed), *found.problems))
    read = read_file(table, map_file, found.good[site])
    config.data_folder.mkdir(parents=True, exist_ok=True)
    files = Files.of(config)
    now_ms = SystemClock().now_ms()
    with open_writer(files.readings, files.server) as readings, Ledger(files.ledger_url) as ledger:
        ledger.put_version(site, found.texts[site], now_ms)
        if ledger.evaluated_until(site) is None:
            appended = readings.append_history(site, read.readings, now_ms)
        else:
            appended = readings.append({site: read.readings}, now_ms)
    print(f"{table.name}: {read.rows} rows, {read.kept} kept, {len(read.readings)} values")
    print(f"store: {appended.new} new, {appended.same} there already, {appended.conflicting} at odds (the first stays)")
    if files.server is not None:
        print("they are in the spool; `watcher run` sends them to the server, which may have some of them already")
    say_refused(read, sys.stdout)
    return 0 if read.readings else 2


def read_file(table: Path, map_file: Path, record: SiteRecord) -> TableRead:
    """A table's readings by its column map. SetupError for channels of devices the site does not have."""
    try:
        text = map_file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise SetupError((Problem(str(map_file), "", "", f"cannot be read: {error}"),)) from None
    columns = load_columns(text, str(map_file))
    dated = (record.inverters, record.meters, record.sensors)
    devices = tuple(dict.fromkeys([fact.id for facts in dated for fact in facts] + [*record.base.devices()]))
    unknown = {str(c.channel): c.channel.device for c in columns.columns if c.channel.device not in devices}
    if unknown:
        known = ", ".join(devices)
        raise SetupError(
            tuple(
                Problem(str(map_file), "column.channel", name, f"the site has no {device}; it has {known}")
                for name, device in unknown.items()
            )
        )
    if problems := _sunshine_taken_for_momentary(columns, record, map_file):
        raise SetupError(problems)
    with opened(table, columns.encoding) as lines:
        return read_table(lines, columns, str(table))


def _sunshine_taken_for_momentary(columns: ColumnMap, record: SiteRecord, map_file: Path) -> tuple[Problem, ...]:
    """Means of sunshine for which the site file does not say that they are: an hour would count for five minutes."""
    period_s = columns.time.period_s
    means = [one.channel.device for one in columns.columns if one.label is not Stamp.INSTANT]
    loose = []
    for device in dict.fromkeys(device for device in means if device in WEATHER_DEVICES):
        source = record.base.source_of(device)
        if source is None or source.label is not Label.MEAN_ENDING or source.period_s != period_s:
            needs = f'the site file has no [[source]] for {device} with this period_s and label = "mean-ending"'
            loose.append(Problem(str(map_file), "time.period_s", f"{period_s:g}", needs))
    return tuple(loose)


@contextmanager
def opened(table: Path, encoding: str) -> Iterator[TextIO]:
    """A text table, unpacked where its name ends in .gz."""
    try:
        raw = table.open("rb")
    except OSError as error:
        raise SetupError((Problem(str(table), "", "", f"cannot be read: {error}"),)) from None
    with raw:
        packed = table.suffix == ".gz"
        lines = io.TextIOWrapper(gzip.GzipFile(fileobj=raw) if packed else raw, encoding=encoding, newline="")
        try:
            yield lines
        except (UnicodeDecodeError, gzip.BadGzipFile, EOFError) as error:
            raise SetupError((Problem(str(table), "", "", f"cannot be read as {encoding} text: {error}"),)) from None


def say_refused(read: TableRead, out: TextIO) -> None:
    """The values that were not taken, the first hundred by name."""
    if read.missing:
        out.write(f"{read.missing} cells mean no reading\n")
    if read.repeated:
        out.write(f"{read.repeated} values repeated an earlier row\n")
    if read.inferred or read.ambiguous:
        out.write(f"hour that happens twice: {read.inferred} rows inferred, {read.ambiguous} taken as the first\n")
    if read.refused_count:
        out.write(f"{read.refused_count} values refused:\n")
        out.writelines(f"  {problem}\n" for problem in read.refused)
        if read.refused_count > len(read.refused):
            out.write(f"  and {read.refused_count - len(read.refused)} more\n")
