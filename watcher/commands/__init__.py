"""The commands behind cli.py, each in a file of its own, imported when asked for."""
