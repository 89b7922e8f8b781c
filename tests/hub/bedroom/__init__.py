"""A bedroom for the trial of the hub: a lamp, a speaker and a voice that do nothing but remember. Runs inside the hub."""
