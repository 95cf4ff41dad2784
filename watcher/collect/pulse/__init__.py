"""Pulses of a meter: its S0 output, or the light on its front."""
