"""``/metrics``: figures for the monitoring system, to whoever says its token."""

from __future__ import annotations

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe
from prometheus_client import CollectorRegistry

from config.metrics import counting
from config.metrics.state import OfState
from config.metrics.writing import TYPE, is_let_in, written

_PLAIN = "text/plain; charset=utf-8"


@never_cache
@require_safe
def metrics(request: HttpRequest) -> HttpResponse:
    """Prometheus' text format 0.0.4. Nothing is here while no token is set; 401 for whoever says another one."""
    if not settings.METRICS_TOKEN:
        return HttpResponse("There is nothing at this address.\n", content_type=_PLAIN, status=404)
    if not is_let_in(request.headers.get("Authorization", "")):
        answer = HttpResponse("Say the token of WICKROUND_METRICS_TOKEN.\n", content_type=_PLAIN, status=401)
        answer["WWW-Authenticate"] = "Bearer"
        return answer
    stands = CollectorRegistry()
    stands.register(OfState())
    return HttpResponse(written(counting.counted(), stands), content_type=TYPE)
