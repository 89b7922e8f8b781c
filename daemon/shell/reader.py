"""Moved to `daemon.texts.reader`; this name goes with the next change."""

from daemon.texts.reader import UNKNOWN, Reader, duration, percent

__all__ = ["UNKNOWN", "Reader", "duration", "percent"]
