"""`pitvigil demo`: a simulated night through the real watch, live or at full speed, and the hands that tend its fire.

Imports wiring, shell and core, and the simulators of `drivers`.
"""
