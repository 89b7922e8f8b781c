"""Models learned ahead of time, each with its provenance; `daemon.wiring.learned` reads them."""
