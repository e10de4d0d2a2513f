"""Who of the service may look, everything as a file, and the end of an operator."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, path

from accounts.pages import closing, support
from config.exporting import page

# Pages of one operator, each under its address.
SET_UP = "<slug:slug>/set-up"

pages: list[URLPattern | URLResolver] = [
    path(f"{SET_UP}/support", support.support, name="support"),
    path(f"{SET_UP}/support/<uuid:grant_id>/end", support.end_support, name="end-support"),
    path(f"{SET_UP}/everything", page.everything, name="everything"),
    path(f"{SET_UP}/close", closing.close_operator, name="close-operator"),
    path(f"{SET_UP}/close/withdraw", closing.withdraw_closing, name="withdraw-closing"),
]
