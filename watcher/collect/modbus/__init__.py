"""Modbus devices: registers and SunSpec are pure, client.py is the only importer of pymodbus."""
