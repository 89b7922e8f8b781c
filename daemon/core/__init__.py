"""The pure core: inputs in, events out. No clock, no I/O, no logging, no chance; `now` is always an argument.

May import nothing but its own rooms, numpy and `drivers.reading`. The engine calls the rooms; no room calls the engine.
"""
