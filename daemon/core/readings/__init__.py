"""From readings to samples: quality, named doubts, the minute trace and the control value of the pit.

Imports settings and events only. Nothing here knows a fire, a piece or an alarm.
"""
