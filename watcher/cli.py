"""The command line: each command checks what it is given, does its one thing, and says in words what went wrong.

Exit codes: 0 well, 1 differences found (replay --compare), something looks wrong (probe) or trouble at work, 2 bad
input.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from watcher import __version__
from watcher.domain.errors import SetupError, WatcherError

WATCHER_FILE = Path("config/watcher.toml")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    options = _parser().parse_args(arguments)
    command: Callable[[argparse.Namespace], int] = options.command
    try:
        return command(options)
    except SetupError as error:
        from watcher.config import listing

        print(listing(error.problems), file=sys.stderr)
        return 2
    except WatcherError as error:
        print(f"watcher: {error}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return 130


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="watcher", description="Watches home solar systems and their generation meters."
    )
    parser.add_argument("--version", action="version", version=f"pv-watcher {__version__}")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")

    def add(name: str, run: Callable[[argparse.Namespace], int], text: str) -> argparse.ArgumentParser:
        command = commands.add_parser(name, help=text, description=text)
        command.set_defaults(command=run)
        command.add_argument(
            "--config", type=Path, default=WATCHER_FILE, metavar="FILE", help="the watcher file (%(default)s)"
        )
        return command

    add("check", _check, "Check the watcher file and every site file; list all problems.")
    add("run", _run, "Watch: collect, judge, mail, until told to stop.")

    load = add("import", _import, "Read a table of measured values, or a spreadsheet of sites or of readings.")
    load.add_argument(
        "file", nargs="?", type=Path, metavar="FILE", help="measured values: a text table, may be gzipped"
    )
    load.add_argument("--site", metavar="ID", help="whose values they are")
    load.add_argument("--columns", type=Path, metavar="MAP.toml", help="what its columns are")
    load.add_argument("--sites", type=Path, metavar="FILE", help="a spreadsheet of sites (CSV, XLSX): makes site files")
    load.add_argument("--readings", type=Path, metavar="FILE", help="a spreadsheet of readings typed from meters")
    load.add_argument("--postcodes", type=Path, metavar="FILE", help="a table of postcodes and their coordinates (CSV)")
    load.add_argument("--preview", action="store_true", help="say what would be done with a spreadsheet; write nothing")

    there = add("sites", _sites, "List the sites on file: what is fitted, how they are read, what stands open.")
    there.add_argument("id", nargs="?", metavar="ID", help="say all of this one")
    there.add_argument("--json", action="store_true", help="for machines")

    past = add("sunshine", _sunshine, "Have the past sunshine over all sites, from a service or from files, for good.")
    past.add_argument("--from", dest="begin", type=int, metavar="YEAR", help="(that of the oldest typed reading)")
    past.add_argument("--until", type=int, metavar="YEAR", help="(this year)")
    past.add_argument("--site", action="append", metavar="ID", help="for this site alone; may be given again")
    past.add_argument(
        "--file", nargs="+", type=Path, metavar="FILE", help="netCDF of a satellite archive, or a table of one place"
    )
    past.add_argument("--columns", type=Path, metavar="MAP.toml", help="what the table's columns are")
    past.add_argument(
        "--time-is",
        choices=("moment", "start", "middle", "end"),
        help="what a time in netCDF files means of its period, where they do not say",
    )

    again = add("replay", _replay, "Judge an old period, or a file, again; one line an alert.")
    again.add_argument("--site", required=True)
    again.add_argument("--from", dest="begin", metavar="TIME", help="ISO 8601 with offset or Z")
    again.add_argument("--until", metavar="TIME", help="ISO 8601 with offset or Z")
    again.add_argument("--csv", type=Path, metavar="FILE", help="judge this table instead of the store")
    again.add_argument("--columns", type=Path, metavar="MAP.toml", help="what the table's columns are")
    again.add_argument("--format", choices=("jsonl",), default="jsonl")
    again.add_argument(
        "--knowledge",
        choices=("then", "now"),
        default="then",
        help="judge with what had come in by then, or with all that is known today (%(default)s)",
    )
    again.add_argument("--compare", action="store_true", help="exit 1 where the ledger says otherwise")

    ask = add("probe", _probe, "Ask a device what it says, show every point, and say what looks wrong. Only reads.")
    ask.add_argument(
        "address", nargs="?", metavar="ADDRESS", help='"host:port", or a serial device such as "/dev/ttyUSB0"'
    )
    ask.add_argument("--unit", default="1", metavar="N[,N]", help="unit ids, such as 1,2 or 1-247 (%(default)s)")
    ask.add_argument("--baud", type=int, metavar="N", help="of a serial line (9600)")
    ask.add_argument("--parity", choices=("none", "even", "odd"), help="of a serial line (none)")
    ask.add_argument("--stop-bits", type=int, choices=(1, 2), help="of a serial line (1)")
    ask.add_argument(
        "--map", metavar="NAME", help="a register map by its name, or its file; without one, what it says itself"
    )
    ask.add_argument(
        "--site", metavar="ID", help="hold it against this site's file, and read it by the maps named there"
    )
    ask.add_argument(
        "--seconds", type=float, default=10.0, help="from the first poll to the last of three (%(default)g)"
    )
    ask.add_argument("--timeout", type=float, default=3.0, metavar="SECONDS", help="for one answer (%(default)g)")
    ask.add_argument("--scan", metavar="A-B[,A-B]", help="look for registers that answer, at these addresses")
    ask.add_argument("--write-map", type=Path, metavar="FILE.toml", help="write what was read as a register map")
    ask.add_argument(
        "--fix", metavar="WORD[,WORD]", help='put these suspicions right in it, such as word-order, or "all"'
    )
    ask.add_argument("--bundle", type=Path, metavar="FILE", help="save all that was read, to be sent to who can help")
    ask.add_argument("--from", dest="bundle_from", type=Path, metavar="FILE", help="judge a saved probe; asks nothing")

    how = add("health", _health, "Say how the watcher itself is, running or not; exit 0 only if all is well.")
    how.add_argument("--json", action="store_true", help="for machines")

    shown = add("read", _read, "Record what was read from a meter's display; without a value, list what was typed.")
    shown.add_argument("site", metavar="SITE")
    shown.add_argument("meter", metavar="METER")
    shown.add_argument("value", nargs="?", metavar="VALUE", help="as on the display, in kWh")
    shown.add_argument("--at", metavar="TIME", help="when it was read: ISO 8601 with offset or Z (now)")
    shown.add_argument("--who", default="unnamed", metavar="NAME", help="who read it")
    shown.add_argument("--serial", default="", metavar="TEXT", help="the serial number on the meter")
    shown.add_argument("--photo", type=Path, metavar="FILE", help="a picture of the display, kept without its location")
    word = shown.add_mutually_exclusive_group()
    word.add_argument("--confirm", action="store_true", help="it is right as typed, odd or not")
    word.add_argument("--accept", action="store_true", help="the value offered was meant")
    word.add_argument("--withdraw", action="store_true", help="the reading of this time was wrong")
    word.add_argument("--unreadable", action="store_true", help="the display shows nothing that can be read")

    life = add("meter", _meter, "Say what is known of a site's meters, or record an exchange or work on the roof.")
    life.add_argument("site", metavar="SITE")
    life.add_argument("device", nargs="?", metavar="DEVICE", help="a meter; an inverter or an array where it is one's")
    told = life.add_mutually_exclusive_group()
    for flag, text in (
        ("exchanged", "the meter, or the inverter, was replaced"),
        ("reset", "the same meter has begun anew"),
        ("rolled-over", "the register has passed its last figure"),
        ("verified", "somebody who has to has verified the meter"),
        ("panels-off", "the array is off the roof: nothing is judged of it"),
        ("panels-on", "the array is back"),
    ):
        told.add_argument(f"--{flag}", dest="what", action="store_const", const=flag, help=text)
    life.add_argument("--at", metavar="TIME", help="when: ISO 8601 with offset or Z (now)")
    life.add_argument("--final", metavar="KWH", help="the last reading of the old register")
    life.add_argument("--opened", metavar="TIME", help="when the new register began (--at)")
    life.add_argument("--opening", metavar="KWH", help="the first reading of the new register")
    life.add_argument("--old-serial", default="", metavar="TEXT", help="of the meter taken out (the one on file)")
    life.add_argument("--serial", default="", metavar="TEXT", help="of the meter, or inverter, put in")
    life.add_argument("--certified-until", metavar="DATE", help="the last day of its certificate")
    life.add_argument("--who", default="unnamed", metavar="NAME", help="who says so")

    asked = add("metering", _metering, "Say what the trade's rules ask of a site's metering, and what is missing.")
    asked.add_argument("site", metavar="SITE")
    asked.add_argument("--csv", action="store_true", help="one row an answer, for a spreadsheet")

    looked = add(
        "inspected", _inspected, "Record that someone has inspected a device; a safety alert ends no other way."
    )
    looked.add_argument("--site", required=True, metavar="ID")
    looked.add_argument(
        "what", nargs="?", metavar="WHAT", help="the device, or an alert's id; without it, list what is open"
    )
    looked.add_argument("--by", default="unnamed", metavar="NAME", help="who inspected it")
    looked.add_argument("--at", metavar="TIME", help="when: ISO 8601 with offset or Z (now)")
    looked.add_argument("--note", metavar="TEXT", help="what was found and done")

    letters = add("mails", _mails, "List what homes have not been told yet; show a letter, or release it.")
    letters.add_argument("words", nargs="*", metavar="WORDS", help="a site; or show ID; or release ID")
    letters.add_argument("--line", metavar="TEXT", help="a line of your own, put into the letter")
    letters.add_argument("--by", default="unnamed", metavar="NAME", help="who releases it")

    order = add("triage", _triage, "Rank the sites by what is lost in a year, from the readings of their meters alone.")
    order.add_argument("--csv", type=Path, metavar="FILE", help="write the whole list as a table")
    order.add_argument("--print", type=Path, metavar="FILE.html", help="write a page to print, with a picture a site")
    order.add_argument("--top", type=int, default=15, metavar="N", help="show so many in full (%(default)s)")

    known = add("learned", _learned, "Say what was learned of a site, from which days, and whether it is used.")
    known.add_argument("--site", required=True)
    known.add_argument("--json", action="store_true", help="for machines")

    copy = add("backup", _backup, "Copy all that was measured and judged, also while the watcher runs.")
    copy.add_argument("folder", type=Path, metavar="FOLDER", help="gets a dated folder with the copy in it")

    back = add("restore", _restore, "Put a backup in place, while the watcher is stopped.")
    back.add_argument("folder", type=Path, metavar="FOLDER", help="a backup, or a folder of them: then the newest")
    back.add_argument("--replace", action="store_true", help="set aside what is there (nothing is deleted)")

    pages = add("pages", _pages, "Serve the pages by themselves; or print the link for a screen on a home's wall.")
    pages.add_argument("--port", type=int, help="another one than the watcher file says")
    pages.add_argument("--at", metavar="TIME", help="as they were at an instant: ISO 8601 with an offset or Z (now)")
    pages.add_argument("--display", metavar="SITE", help="print the link of this home's display instead")

    people = add("people", _people, "Say who may log in to the pages; without an option, list them.")
    people.add_argument("--add", metavar="NAME", help="or change; the password is asked for, or read from a pipe")
    people.add_argument(
        "--role", default="occupier", help="occupier, owner, payee, landlord, installer, operator (%(default)s)",
        choices=["occupier", "owner", "payee", "landlord", "installer", "operator"], metavar="ROLE",
    )  # fmt: skip
    people.add_argument("--site", action="append", default=[], metavar="ID", help="may be given again; the trade: all")
    people.add_argument("--remove", metavar="NAME")
    people.add_argument("--token", metavar="NAME", help="print a token by which a program asks in this name")

    demo = add("demo", _demo, "Watch a simulated home lose a row of panels and a meter, in fast time.")
    demo.add_argument("--readings", action="store_true", help="instead, ten years of a hundred homes' meter readings")
    demo.add_argument("--seed", type=int, default=7)
    demo.add_argument("--output", type=Path, default=Path("demo-output"), metavar="FOLDER")
    return parser


def _check(options: argparse.Namespace) -> int:
    from watcher.config import check, listing, load_sites, load_topic_maps, load_watcher
    from watcher.domain.site import SourceKind

    problems = check(options.config)
    if problems:
        print(listing(problems))
        return 2
    config = load_watcher(options.config)
    sites = load_sites(config.sites_folder).good
    print(f"all well: {len(sites)} sites")
    sources = [source for record in sites.values() for source in record.base.sources]
    used = frozenset(source.map for source in sources if source.kind is SourceKind.MQTT)
    for caution in load_topic_maps(config.topics_folder).cautions(used):
        print(f"caution: {caution}")
    return 0


def _run(options: argparse.Namespace) -> int:
    from watcher.commands.run import run_daemon

    return run_daemon(options.config)


def _import(options: argparse.Namespace) -> int:
    from watcher.commands.import_any import run_import

    return run_import(options)


def _sites(options: argparse.Namespace) -> int:
    from watcher.commands.sites import run_sites

    return run_sites(options)


def _sunshine(options: argparse.Namespace) -> int:
    from watcher.commands.sunshine import run_sunshine

    return run_sunshine(options)


def _replay(options: argparse.Namespace) -> int:
    from watcher.commands.replay import run_replay

    return run_replay(options)


def _probe(options: argparse.Namespace) -> int:
    from watcher.commands.probe import run_probe

    return run_probe(options)


def _health(options: argparse.Namespace) -> int:
    from watcher.commands.health import run_health

    return run_health(options.config, options.json)


def _read(options: argparse.Namespace) -> int:
    from watcher.commands.read import run_read

    return run_read(options)


def _meter(options: argparse.Namespace) -> int:
    from watcher.commands.meter import run_meter

    return run_meter(options)


def _metering(options: argparse.Namespace) -> int:
    from watcher.commands.metering import run_metering

    return run_metering(options)


def _inspected(options: argparse.Namespace) -> int:
    from watcher.commands.inspected import run_inspected

    return run_inspected(options)


def _mails(options: argparse.Namespace) -> int:
    from watcher.commands.mails import run_mails

    return run_mails(options)


def _triage(options: argparse.Namespace) -> int:
    from watcher.commands.triage import run_triage

    return run_triage(options)


def _learned(options: argparse.Namespace) -> int:
    from watcher.commands.learned import run_learned

    return run_learned(options.config, options.site, options.json)


def _backup(options: argparse.Namespace) -> int:
    from watcher.commands.backup import run_backup

    return run_backup(options.config, options.folder)


def _restore(options: argparse.Namespace) -> int:
    from watcher.commands.backup import run_restore

    return run_restore(options.config, options.folder, replace=options.replace)


def _pages(options: argparse.Namespace) -> int:
    from watcher.commands.pages import run_pages

    return run_pages(options)


def _people(options: argparse.Namespace) -> int:
    from watcher.commands.people import run_people

    return run_people(options)


def _demo(options: argparse.Namespace) -> int:
    if options.readings:
        from watcher.commands.demo_readings import run_readings_demo

        return run_readings_demo(options.seed, options.output)
    from watcher.commands.demo import run_demo

    return run_demo(options.seed, options.output)


if __name__ == "__main__":
    sys.exit(main())
