"""What the feed group measures, one module each and in this order; ``ONLY=feed.latency`` runs one of them."""

MODULES = ("latency",)
