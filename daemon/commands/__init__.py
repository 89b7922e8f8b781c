"""One file a subcommand, with what only commands need. Imports wiring, shell and core; imported by `daemon.cli` alone."""
