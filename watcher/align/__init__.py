"""Raw readings to a window on the grid. Pure."""
