"""The pieces of meat of a cook: the stage of each, its stall, and what is known of it.

Imports readings, forecast and food_safety. Pieces come and go while a cook runs.
"""
