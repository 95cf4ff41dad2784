"""The pages: one for each home, one for the installer, and what machines may ask."""
