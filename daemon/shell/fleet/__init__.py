"""A crew's centre hears of this pit: what the journal holds is sent to a PostgreSQL database, exactly once.

The watch knows nothing of it. `pitvigil ship` is a process of its own that reads the journal and never writes to it: a
centre that is slow, hostile or away cannot touch the watch. May import the other rooms of the
shell; none of them imports it.
"""
