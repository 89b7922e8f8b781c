"""The home-automation feed: the broker link, the Homie topics, discovery for the hub, and orders that come back.

`homie` knows nothing of the hub: `discovery` makes the hub's documents of it, with the names and kinds in `shown`.

Imports the core and the shell's own top level.
"""
