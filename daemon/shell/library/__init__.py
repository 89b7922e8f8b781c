"""The library of kept cooks: records, figures, notes, and the compaction of what is old.

Imports journal and the core. Imports neither report nor web: they ask it.
"""
