"""`pitvigil ship`, `pool` and `fleet`: what a pit sends to its crew's centre, and what runs there."""
