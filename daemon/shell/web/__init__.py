"""The local page and its API: access, routes, models, streams and static files.

Imports library, report and the core. It reads snapshots and posts inputs; it touches no state.
"""
