"""Delivery: the outbox, and one file for each kind of channel. A channel tries once; the outbox retries.

Imports journal (for its outbox rows) and report (for the chart that goes with a message).
"""
