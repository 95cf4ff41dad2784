"""Devices to readings. The shell: sockets live here."""
