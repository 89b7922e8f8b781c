"""What is wrong, judged in each scan cycle from what is known: a file a subject, and `scan`, which asks them all.

Imports the rules, readings, pit, pieces and plan. No memory and no delays: those are the alarm table's.
"""
