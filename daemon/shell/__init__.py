"""The imperative shell: one asyncio loop around the core, and all that touches clocks, disks, wires and people.

Imports the core and config; never commands or wiring. The rooms meet in `wiring` only.
"""
