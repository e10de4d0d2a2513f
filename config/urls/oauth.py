"""Where programs sign in (OAuth 2.0), named as the library's metadata looks for them. None of its own pages is routed."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, include, path

from accounts import oauth

endpoints: list[URLPattern | URLResolver] = [
    path("oauth/token", oauth.TokenDoor.as_view(), name="token"),
    path("oauth/revoke", oauth.RevocationDoor.as_view(), name="revoke-token"),
    path(".well-known/oauth-authorization-server", oauth.Metadata.as_view(), name="oauth-server-metadata"),
]
urlpatterns: list[URLPattern | URLResolver] = [path("", include((endpoints, "oauth2_provider")))]
