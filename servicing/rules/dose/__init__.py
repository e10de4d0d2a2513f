"""How much a unit drips: its readings, what a fleet has in common, and what one unit's own readings say."""
