"""Irradiance and weather from the net."""
