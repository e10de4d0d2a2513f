"""What the billing group measures, one module each and in this order; ``ONLY=billing.month`` runs one of them."""

MODULES = ("month", "faults")
