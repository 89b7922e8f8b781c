"""When something will happen: wrap, tender, target and hold limit, with intervals; and the plan made before the cook.

Imports settings, events and inputs only: a forecast is a pure function of the request that it is handed.
"""
