"""One pit: its fire and the signs of it, its stage, its evenness, and what its earlier fires taught.

Imports readings, settings, events and inputs. A watch has one pit or more; nothing here assumes that there is only one.
"""
