"""The fires: one structure a file. Each is a `FireWorld` (`fire_world`) and knows nothing of cooks, probes or meat."""
