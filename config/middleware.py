"""Headers that every answer carries, and the language of whoever asks."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponseBase
from django.utils import translation
from django.utils.cache import patch_vary_headers

from accounts import languages
from accounts.languages import Manner
from accounts.pages import reading_in

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)


class ContentSecurityPolicy:
    """Nothing from elsewhere, nothing inline: a page of ours needs neither."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        response = self.get_response(request)
        response.headers.setdefault("Content-Security-Policy", POLICY)
        return response


class AskedLanguage:
    """Until it is known who reads, what the browser or program asks for (Accept-Language); an operator's page then knows better."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        with reading_in(Manner(languages.known_locale(translation.get_language_from_request(request)))):
            response = self.get_response(request)
            response.headers.setdefault("Content-Language", translation.get_language() or "en-gb")
        patch_vary_headers(response, ("Accept-Language",))
        return response
