"""The pages of the fleet: what is set up once and hangs for years."""
