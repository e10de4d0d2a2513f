import logging
import os

from django.core.exceptions import ImproperlyConfigured
from django.core.wsgi import get_wsgi_application

from config import starting, tracing
from config.logs import HideLinks

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
# A request that asks the database for more than this is refused, so that it takes no more from others.
os.environ.setdefault("WICKROUND_STATEMENT_SECONDS", "5")
os.environ.setdefault("WICKROUND_IDLE_SECONDS", "30")

if not os.environ.get("WICKROUND_SECRET_KEY"):
    raise ImproperlyConfigured(
        "Set WICKROUND_SECRET_KEY to a random text of at least 32 characters before serving."
    )

# Its access log has handlers of its own.
logging.getLogger("gunicorn.access").addFilter(HideLinks())

application = starting.Guarded(get_wsgi_application())
starting.refuse()
tracing.start("web")
