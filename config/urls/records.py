"""What customers read by a link: documents, and the service record."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, path

from billing.pages import shared

pages: list[URLPattern | URLResolver] = [
    # What a mail links to: the signature in it is the key.
    path("shared/<str:token>", shared.shared, name="shared"),
    path("shared/<str:token>/<slug:form>", shared.shared_file, name="shared-file"),
]
