"""`watcher import --sites FILE`: a spreadsheet of sites into site files.

What was understood, what was not and what would be written is said first; with --preview nothing else happens.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

from watcher.commands.import_table import opened
from watcher.config import load_site, load_watcher
from watcher.domain.errors import SetupError
from watcher.sheets.heading import Heading, find_heading
from watcher.sheets.opening import open_sheet
from watcher.sheets.postcodes import Place, find_places
from watcher.sheets.sheet import Remarks
from watcher.sheets.site_draft import Draft
from watcher.sheets.site_files import Fate, Planned, plan_files, write_files
from watcher.sheets.site_places import postcodes_of
from watcher.sheets.site_rows import draft_sites
from watcher.sheets.site_text import site_text
from watcher.sheets.words import SITES, Field


def import_sites(watcher_file: Path, file: Path, postcodes: Path | None, preview: bool) -> int:
    """0 where every row was taken, 1 where some were, 2 where none was."""
    folder = load_watcher(watcher_file).sites_folder
    sheet = open_sheet(file)
    heading = find_heading(sheet, SITES, "sites")
    say_heading(heading, SITES, sheet.place, sheet.note)
    remarks = Remarks(sheet.place)
    drafts = draft_sites(heading, _places(heading, postcodes), remarks)
    good = [(draft, text) for draft in drafts if (text := _checked(draft, sheet.place, remarks)) is not None]
    planned = plan_files(folder, [(draft.id, text) for draft, text in good])
    for one, (draft, _) in zip(planned, good, strict=True):
        _say(one, draft)
    print("".join(f"{line}\n" for line in remarks.told()), end="")
    counted = Counter(one.fate for one in planned)
    fates = ", ".join(f"{counted[fate]} {fate}" for fate in Fate)
    print(f"{len(planned)} sites: {fates}; {len(remarks.bad_rows())} rows not taken")
    if preview:
        print("a preview: nothing was written")
    else:
        write_files(folder, planned)
    return 0 if not remarks.problems else 1 if planned else 2


def say_heading(heading: Heading, fields: tuple[Field, ...], place: str, note: str) -> None:
    """Which column was taken for what."""
    print(f"{place}: heading in row {heading.row}" + (f"; {note}" if note else ""))
    for field in fields:
        if (column := heading.columns.get(field.name)) is not None:
            unit = f", in {column.unit}" if column.unit else ""
            guessed = " (by likeness)" if column.guessed else ""
            print(f"  {column.title} is {field.names[0]}{unit}{guessed}")
    if heading.ignored:
        print(f"  not read: {', '.join(heading.ignored)}")


def _places(heading: Heading, table: Path | None) -> dict[str, Place] | None:
    if table is None:
        return None
    wanted = postcodes_of(heading)
    try:
        with opened(table, "utf-8") as lines:
            return find_places(lines, wanted, str(table))
    except SetupError as error:
        if not any("utf-8" in problem.allowed for problem in error.problems):
            raise
    with opened(table, "cp1252") as lines:
        return find_places(lines, wanted, str(table))


def _checked(draft: Draft, place: str, remarks: Remarks) -> str | None:
    """The text of a site's file, once the program's own reading of site files has nothing against it."""
    text = site_text(draft, place)
    try:
        load_site(text, f"{draft.id}.toml", draft.id)
    except SetupError as error:
        for problem in error.problems:
            remarks.wrong(draft.rows[0], problem.key, None, problem.allowed)
        return None
    return text


def _say(one: Planned, draft: Draft) -> None:
    if one.fate is Fate.NEW:
        arrays = ", ".join(
            f"{array['peak_power_w'] / 1000:g} kW at {array['tilt_deg']:g}° facing {array['azimuth_deg']:g}°"
            for _, array in draft.arrays
        )
        print(f"{one.id}  {one.fate}: {draft.site['name']}; {arrays}")
    elif one.fate is not Fate.SAME:
        why = "its file was written or changed by hand, and " if one.fate is Fate.THEIRS else ""
        print(f"{one.id}  {one.fate}: {why}{'; '.join(one.differences)}")
