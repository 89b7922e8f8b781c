"""Who is called, how loudly, when, and when again: the ladder of audiences, spacing, test calls, quiet hours, naps.

Imports alarms. It evaluates no condition.
"""
