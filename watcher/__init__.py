"""PV Watcher: watches home solar systems and the meters that are paid by."""

__version__ = "0.1.0"
