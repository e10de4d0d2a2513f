"""What the forecasts' group measures, one module each and in this order; ``ONLY=forecast.dry_dates`` runs one of them.

Those in ``PURE`` only reckon, on no server.
"""

MODULES = ("wick_100k", "operators", "dry_dates", "sweep")
PURE = ("wick_100k", "operators", "dry_dates")
