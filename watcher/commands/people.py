"""`watcher people`: who may log in to the pages, as what, for which sites. Passwords are asked for, never given here.

What is on a command line stands in the list of processes and in the shell's memory.
"""

from __future__ import annotations

import argparse
import getpass
import sys

from watcher.clock import SystemClock
from watcher.config import load_sites
from watcher.config.pages_table import PEOPLE
from watcher.config.watcher_file import folders_of
from watcher.domain.errors import Problem, SetupError
from watcher.domain.site import Role
from watcher.web.access import Access, own_key
from watcher.web.people import ALL_SITES, NAME_SHAPE, People, Person, hashed, is_name
from watcher.web.server import KEY


def run_people(options: argparse.Namespace) -> int:
    """Add, remove, give a machine's token, or list; 0. SetupError for what cannot be."""
    data_folder, sites_folder = folders_of(options.config)
    people = People(data_folder / PEOPLE)
    if options.remove:
        if not people.remove(options.remove):
            raise _wrong("--remove", options.remove, "there is nobody of that name")
        print(f"removed: {options.remove}")
    elif options.token:
        person = people.all().get(options.token)
        if person is None:
            raise _wrong("--token", options.token, "there is nobody of that name")
        print(Access(people, own_key(people.path.with_name(KEY)), SystemClock().monotonic).machine_token(person))
    elif options.add:
        person = _asked(options, sorted(load_sites(sites_folder).good))
        people.put(person)
        print(f"recorded: {_line(person)}")
    else:
        for person in people.all().values():
            print(_line(person))
        print(f"{len(people.all())} may log in")
    return 0


def _asked(options: argparse.Namespace, sites: list[str]) -> Person:
    if not is_name(options.add):
        raise _wrong("--add", options.add, f"must be a name such as jo.hale ({NAME_SHAPE})")
    role = Role(options.role)
    for site in options.site:
        if site not in sites:
            raise _wrong("--site", site, f"no such site; there are {', '.join(sites) or 'none'}")
    if role not in ALL_SITES and not options.site:
        raise _wrong("--site", "", f"an {role} sees the sites that are named here")
    password = getpass.getpass("Password: ") if sys.stdin.isatty() else sys.stdin.readline().rstrip("\r\n")
    try:
        return Person(options.add, role, tuple(options.site), hashed(password))
    except ValueError as error:
        raise _wrong("the password", "", str(error)) from None


def _line(person: Person) -> str:
    return f"{person.name}: {person.role}, {', '.join(person.sites) or 'all sites'}"


def _wrong(key: str, value: str, must: str) -> SetupError:
    return SetupError((Problem("command line", key, value, must),))
