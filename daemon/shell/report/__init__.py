"""Reports of kept cooks: one HTML page and one chart.

Imports library and the core.
"""
