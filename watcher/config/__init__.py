"""What people write: the watcher file and the site files, read strictly and checked whole before anything starts."""

from watcher.config.secret import Secret
from watcher.config.site_file import load_site
from watcher.config.site_folder import SitesFound, load_sites
from watcher.config.watcher_file import (
    MailConfig,
    MailServer,
    Security,
    WatcherConfig,
    WorkerConfig,
    check,
    listing,
    load_watcher,
)

__all__ = [
    "MailConfig",
    "MailServer",
    "Secret",
    "Security",
    "SitesFound",
    "WatcherConfig",
    "WorkerConfig",
    "check",
    "listing",
    "load_site",
    "load_sites",
    "load_watcher",
]
