"""Builds one running watch from files: the only place that knows config, drivers, core and shell at once."""
