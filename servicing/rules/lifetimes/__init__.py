"""How long wicks last, read from visits that see a failure only afterwards."""
