"""`watcher import`: which of the three things there are to import, and whether all that it needs was given."""

from __future__ import annotations

import argparse

from watcher.domain.errors import Problem, SetupError

_WAYS = """\
give one of: FILE with --site and --columns (measured values), --sites FILE (a spreadsheet of sites), \
--readings FILE (a spreadsheet of readings)"""


def run_import(options: argparse.Namespace) -> int:
    """The exit code of what was imported. SetupError where it is not clear what to import."""
    given = [name for name in ("file", "sites", "readings") if getattr(options, name) is not None]
    if len(given) != 1:
        raise _unclear("", _WAYS)
    if given == ["file"]:
        for name in ("site", "columns"):
            if getattr(options, name) is None:
                raise _unclear(f"--{name}", "missing; measured values need --site and --columns")
        if options.preview or options.postcodes:
            raise _unclear("--preview" if options.preview else "--postcodes", "only for a spreadsheet")
        from watcher.commands.import_table import import_table

        return import_table(options.config, options.file, options.site, options.columns)
    for name in ("site", "columns"):
        if getattr(options, name) is not None:
            raise _unclear(f"--{name}", "not for a spreadsheet; its own columns say it")
    if given == ["sites"]:
        from watcher.commands.import_sites import import_sites

        return import_sites(options.config, options.sites, options.postcodes, options.preview)
    if options.postcodes:
        raise _unclear("--postcodes", "only with --sites")
    from watcher.commands.import_readings import import_readings

    return import_readings(options.config, options.readings, options.preview)


def _unclear(key: str, allowed: str) -> SetupError:
    return SetupError((Problem("command line", key, "", allowed),))
