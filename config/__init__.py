"""The rig and cook files: pydantic models, the loader, the cut table and examples. Imports nothing of the watch."""
