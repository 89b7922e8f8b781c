"""The sections of a report, one noun a file: from findings to elements of the page.

Imports `findings`, `curves` and `blocks`; `page` puts the sections together.
"""
