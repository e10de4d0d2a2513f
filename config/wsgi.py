import logging
import os

from django.core.exceptions import ImproperlyConfigured
from django.core.wsgi import get_wsgi_application

from config.logs import HideLinks

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

if not os.environ.get("WICKROUND_SECRET_KEY"):
    raise ImproperlyConfigured(
        "Set WICKROUND_SECRET_KEY to a random text of at least 32 characters before serving."
    )

# Its access log has handlers of its own.
logging.getLogger("gunicorn.access").addFilter(HideLinks())

application = get_wsgi_application()
