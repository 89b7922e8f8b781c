"""Reports of kept cooks: one HTML page; `picture` has the chart as PNG.

Imports library and the core.
"""
