"""Who may read the figures, and how they are written."""

from __future__ import annotations

from django.conf import settings
from django.utils.crypto import constant_time_compare
from prometheus_client import CollectorRegistry, generate_latest

# Prometheus' text format, as every version of it reads it.
TYPE = "text/plain; version=0.0.4; charset=utf-8"


def is_let_in(authorization: str) -> bool:
    """Whether a request's header carries the token (RFC 6750 section 2.1); nobody is, while none is set."""
    scheme, _space, token = authorization.partition(" ")
    wanted = settings.METRICS_TOKEN
    return bool(wanted) and scheme.lower() == "bearer" and constant_time_compare(token.strip(), wanted)


def written(*registries: CollectorRegistry) -> bytes:
    return b"".join(generate_latest(one) for one in registries)
