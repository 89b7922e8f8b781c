"""The home-automation feed: the broker link, the Homie topics, discovery for the hub, and orders that come back.

Imports the core and the shell's own top level.
"""
