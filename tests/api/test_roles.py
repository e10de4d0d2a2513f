"""Who may do what: every route declares it, and the table of roles is what happens."""

from __future__ import annotations

from uuid import uuid4

import pytest
from django.test import RequestFactory
from rest_framework.response import Response

from accounts.doors import OperatorView
from accounts.permissions import ROLE_PERMISSIONS, Permission, Role
from tests.api.callers import api_routes, filled, signed_in, view_of

OPEN = {"api-schema"}


def doors():
    return [(address, route) for address, route in api_routes() if route.name not in OPEN]


def test_every_route_declares_the_permission_of_each_of_its_methods():
    declared = {route.name: set(view_of(route).permissions) for _, route in doors()}
    handled = {
        route.name: {name.upper() for name in ("get", "post", "put", "patch", "delete")}
        & {name.upper() for name in dir(view_of(route))}
        & {name.upper() for name in view_of(route).http_method_names}
        for _, route in doors()
    }

    assert declared == handled
    assert len(declared) > 30


class Undeclared(OperatorView):
    def get(self, request):
        return Response({"secret": True})


def test_what_is_not_declared_is_refused_even_to_an_owner(north):
    request = RequestFactory().get("/api/v1/x", headers={"authorization": f"Bearer {north.phone_token}"})

    answer = Undeclared.as_view()(request)

    assert answer.status_code == 403
    assert b"secret" not in answer.content


@pytest.mark.parametrize("role", list(Role))
def test_a_role_may_do_what_its_table_says_and_nothing_else(north, role):
    client = signed_in(north, role)
    found, wanted = {}, {}
    for address, route in doors():
        path = "/" + filled(address, route, str(uuid4()))
        for method, permission in view_of(route).permissions.items():
            answer = client.generic(method, path, content_type="application/json")
            found[method, route.name] = answer.status_code == 403
            wanted[method, route.name] = permission not in ROLE_PERMISSIONS[role]

    assert found == wanted


def test_a_viewer_can_neither_record_nor_undo_nor_close_a_month(north):
    viewer = signed_in(north, Role.VIEWER)
    north.upload(event := north.installed())

    assert viewer.send("service-events", [north.exchanged()]).status_code == 403
    assert viewer.send(f"service-events/{event['id']}/counter", {"reason": "other"}).status_code == 403
    assert viewer.send("month-closes", {"month": "2026-05-01"}).status_code == 403
    assert Permission.EVENTS_RECORD not in ROLE_PERMISSIONS[Role.VIEWER]
    assert len(viewer.read("service-events").json()["results"]) == 1
