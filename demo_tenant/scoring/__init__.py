"""How good the product's forecasts are, judged in memory against the hidden truth of the invented world."""
