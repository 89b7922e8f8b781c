"""Devices: one driver a kind, codecs without I/O, and simulated devices. Imports nothing of the daemon."""
