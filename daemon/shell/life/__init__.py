"""What keeps the watch alive and shows it: device supervision, systemd, the dead man, housekeeping.

Imports the core and the shell's own top level.
"""
