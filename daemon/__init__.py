"""The watch. Imports run one way: cli -> commands -> wiring -> shell -> core -> drivers.reading."""
