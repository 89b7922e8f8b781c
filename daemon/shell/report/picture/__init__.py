"""The picture of a cook as PNG, for messages and to keep: sheet (plain values) -> draw, in a process of its own.

Imports the report's findings and the core's views.
"""
