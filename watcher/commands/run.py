"""`watcher run`: the daemon in the foreground, under a service manager or a terminal.

SIGTERM and SIGINT stop it in order. SIGHUP checks every file first: all well, it stops and starts anew in the same
process number; anything wrong, the last good configuration goes on, the log says what and the operator is told.
"""

from __future__ import annotations

import asyncio
import faulthandler
import logging
import os
import signal
import sys
from pathlib import Path

from watcher.clock import SystemClock
from watcher.config import WatcherConfig, check, listing, load_watcher
from watcher.daemon import Daemon
from watcher.nightly import Nightly
from watcher.notify.notice import not_reloaded_notice
from watcher.store.folder_lock import FolderLock
from watcher.watchdog import Guard, service_manager
from watcher.wiring import assemble

log = logging.getLogger(__name__)


def run_daemon(watcher_file: Path) -> int:
    """Run until told to stop; 0 then. SetupError before anything is started."""
    logging.basicConfig(level=logging.INFO, stream=sys.stderr, format="%(asctime)s %(levelname)s %(name)s %(message)s")
    faulthandler.enable()  # a service manager that has lost patience with us gets to see where we stood
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)  # it logs each failed request; we log each change
    # The lock goes with the process, and comes again with the one that takes its place.
    config = load_watcher(watcher_file)
    with FolderLock(config.data_folder):
        guard = Guard() if service_manager() is None else None
        daemon = Daemon(assemble(watcher_file), guard)
        if guard is not None:
            guard.start()  # to the very end: a stop can hang too
        for warning in config.warnings:
            log.warning("%s", warning)
        again = asyncio.run(_until_told(daemon, watcher_file, config))
    if again:
        log.info("starting anew with the %s files", "repaired" if daemon.again else "changed")
        os.execv(sys.executable, [sys.executable, "-m", "watcher.cli", *sys.argv[1:]])
    return 0


async def _until_told(daemon: Daemon, watcher_file: Path, config: WatcherConfig) -> bool:
    """Run the daemon; whether it is to be started anew."""
    again = False

    def reload() -> None:
        nonlocal again
        if problems := check(watcher_file):
            log.error("not reloaded, the last good configuration goes on:\n%s", listing(problems))
            now_ms = SystemClock().now_ms()
            daemon.tell(not_reloaded_notice(problems, config.mail.sender, config.operator_email, now_ms))
        else:
            again = True
            daemon.stop.set()

    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, daemon.stop.set)
    loop.add_signal_handler(signal.SIGHUP, reload)
    nightly = Nightly(daemon.upkeep)
    nightly.start()
    daemon.report.others["nightly"] = nightly.lives
    pages = None
    if config.pages is not None:
        from watcher.web.server import pages_server  # only where there are pages

        pages = pages_server(config, SystemClock())
        pages.start()
        daemon.report.others["pages"] = pages.lives
    try:
        await daemon.run()
    finally:
        nightly.stop()
        if pages is not None:
            pages.stop()
    return again or daemon.again
