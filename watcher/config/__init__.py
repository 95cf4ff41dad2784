"""What people write: watcher file, site files and register maps, read strictly and checked whole before all else."""

from watcher.config.map_file import MapsFound, load_map, load_maps
from watcher.config.secret import Secret
from watcher.config.site_file import load_site
from watcher.config.site_folder import SitesFound, load_sites
from watcher.config.topic_map_file import TopicMapsFound, load_topic_map, load_topic_maps
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
    "MapsFound",
    "Secret",
    "Security",
    "SitesFound",
    "TopicMapsFound",
    "WatcherConfig",
    "WorkerConfig",
    "check",
    "listing",
    "load_map",
    "load_maps",
    "load_site",
    "load_sites",
    "load_topic_map",
    "load_topic_maps",
    "load_watcher",
]
