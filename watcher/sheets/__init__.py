"""Spreadsheets of sites and of readings, as installers keep them."""
