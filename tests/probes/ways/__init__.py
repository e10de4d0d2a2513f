"""The ways in: each module makes the probes of one of them, for every door at which it can be tried."""
