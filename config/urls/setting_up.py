"""What the office sets up."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, path

from accounts.pages import set_up
from servicing.pages import people

# Pages of one operator, each under its address.
OPERATOR = "<slug:slug>"

pages: list[URLPattern | URLResolver] = [
    path(f"{OPERATOR}/set-up/", set_up.set_up, name="set-up"),
    path(f"{OPERATOR}/set-up/crew", set_up.add_crew, name="add-crew"),
    path(f"{OPERATOR}/set-up/phone", set_up.register_phone, name="register-phone"),
    path(f"{OPERATOR}/set-up/phone/<uuid:device_id>/revoke", set_up.revoke_phone, name="revoke-phone"),
    path(f"{OPERATOR}/set-up/people-named", people.named, name="people-named"),
    path(f"{OPERATOR}/set-up/people-named/<uuid:person_id>", people.person, name="person-named"),
    path(f"{OPERATOR}/set-up/people-named/<uuid:person_id>/erase", people.erase, name="erase-person"),
    path(f"{OPERATOR}/set-up/rules", set_up.set_service_rules, name="set-service-rules"),
]
