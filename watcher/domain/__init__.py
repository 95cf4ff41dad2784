"""The vocabulary everything else is written in. Standard library only; no clock, no file, no socket."""
