"""What the log's group measures, one module each and in this order; ``ONLY=log.uploading`` runs one of them."""

MODULES = (
    "append",
    "reading",
    "growth",
    "uploading",
    "catching_up",
    "hot_operator",
    "full_world",
    "rebuilding",
    "swapping",
    "verifying",
)
