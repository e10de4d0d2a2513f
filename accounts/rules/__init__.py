"""Pure functions on plain values: how things are sealed, and how often somebody may try."""
