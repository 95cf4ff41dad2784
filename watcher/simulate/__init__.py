"""A simulated home in its own process, with physics of its own."""
