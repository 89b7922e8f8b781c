"""A simulated pit, meat and board for the demo and the tests. Shares nothing with the forecaster."""
