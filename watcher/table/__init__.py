"""Tables of somebody else's making, by their column map, to readings. Pure."""
