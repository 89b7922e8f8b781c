"""The journal: inputs, events and outbox rows in one SQLite file, written before anything leaves the process.

Imports the core and the shell's own top level. Knows nothing of reports, pages or the hub.
"""
