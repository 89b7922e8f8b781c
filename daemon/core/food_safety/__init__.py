"""The food-safety record: published rules, time and temperature, lethality. It informs and names its rule; it certifies nothing.

Imports settings only.
"""
