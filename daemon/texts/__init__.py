"""Everything people read, as templates in one file a language, and the making of sentences from it.

Imports the core's `said` and `config.units`; every edge imports it.
"""
