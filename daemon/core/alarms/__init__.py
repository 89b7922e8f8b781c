"""Alarms after ISA-18.2 and IEC 62682: the rules as data, the conditions judged in each scan cycle, and the alarm table.

Imports readings, pit, pieces and food_safety. Who is called, and how loudly, is decided in `annunciation`.
"""
