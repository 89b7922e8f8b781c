"""Bytes to measurements. No I/O, no clock; a codec refuses what it cannot read and invents nothing."""
