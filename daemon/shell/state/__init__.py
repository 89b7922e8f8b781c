"""Files of the state directory: written whole, regular ones only, held by one watch, secrets read with care.

Imports nothing of the shell but its clock.
"""
