"""How long a test waits for what will come."""

from __future__ import annotations

PATIENCE = 300.0
"""s. It costs nothing where all is well; only what hangs is ended by it, on however busy a machine."""
