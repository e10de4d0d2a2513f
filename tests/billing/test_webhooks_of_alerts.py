"""Alerts become messages for endpoints that ask for them: each opening and closing once, never thousands of them."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from accounts import clock
from accounts.errors import BadInput
from accounts.jobs import ALERTS_TURNED
from billing import tasks
from billing.commands.webhooks import alerting, endpoints
from billing.models import AlertTelling
from billing.rules.webhooks import messages
from servicing.commands import sweeps
from servicing.models import Alert
from tests.billing import hooks


@pytest.fixture
def filled(north, settings):
    """Two units filled on 12 June, due on the 10th of each month."""
    settings.TEXT_KEY = "a text key that is long enough to be one"
    at = datetime(2026, 6, 12, 9, 0, tzinfo=UTC)
    north.upload(north.installed(at=at), north.installed(north.units[1], at, station=1))
    return north


def sweep_on(cast, day: int) -> None:
    clock.set_to(datetime(2026, 7, day, 12, 0, tzinfo=UTC))
    sweeps.sweep(actor=cast.owner)


def tell(cast) -> None:
    for job in hooks.owed(cast, ALERTS_TURNED):
        tasks.alerts_turned(str(cast.operator.id), str(job.id))


def told(cast):
    return [(body["type"], body["data"].get("kind")) for body in hooks.bodies(cast)]


def test_each_opening_and_each_closing_is_told_once_and_what_stood_before_is_not(filled):
    sweep_on(filled, 5)
    hooks.add(filled, kinds=["alert"])
    tell(filled)
    assert hooks.deliveries(filled) == []

    sweep_on(filled, 14)
    tell(filled)
    sweep_on(filled, 14)
    tell(filled)

    kinds = told(filled)
    assert sorted(kinds) == sorted(
        [("alert.closed", "due")] * 2
        + [("alert.opened", "past_grace")] * 2
        + [("alert.opened", "dry_soon")] * 2
    )
    body = hooks.bodies(filled)[-1]
    assert {"id", "kind", "unit", "unit_code", "site", "site_code", "first_day", "sequence"} == set(
        body["data"]
    )
    assert body["data"]["first_day"] == "2026-07-14"
    with filled.reading():
        assert {str(one.id) for one in Alert.objects.all()} >= {body["data"]["id"]}


def test_an_id_follows_from_what_is_told(filled):
    endpoint = hooks.add(filled, kinds=["alert"]).endpoint
    sweep_on(filled, 14)
    tell(filled)

    with filled.reading():
        alerts = {str(one.id): one for one in Alert.objects.all()}
    for delivery, body in zip(
        reversed(hooks.deliveries(filled)), reversed(hooks.bodies(filled)), strict=True
    ):
        alert = alerts[body["data"]["id"]]
        expected = messages.alert_id(endpoint.id, alert.id, alert.opened_turn, "opened")
        assert delivery.id == expected
        assert delivery.message_id == messages.message_id(expected)


def test_one_that_opens_again_is_told_again_under_another_id(filled):
    hooks.add(filled, kinds=["alert"])
    sweep_on(filled, 14)
    tell(filled)
    sweep_on(filled, 5)
    tell(filled)
    sweep_on(filled, 14)
    tell(filled)

    opened = [one for one in hooks.bodies(filled) if one["type"] == "alert.opened"]
    of_one = [one for one in opened if one["data"]["kind"] == "past_grace"]
    assert len(of_one) == 4
    assert len({one.id for one in hooks.deliveries(filled)}) == len(hooks.deliveries(filled))


def test_messages_come_in_the_order_of_the_sweeps_where_several_were_not_told_yet(filled):
    hooks.add(filled, kinds=["alert"])
    sweep_on(filled, 5)
    sweep_on(filled, 14)

    tell(filled)

    in_order = sorted(hooks.bodies(filled), key=lambda body: body["data"]["sequence"])
    assert [body["timestamp"] for body in in_order] == sorted(body["timestamp"] for body in in_order)
    assert [(body["type"], body["data"]["kind"]) for body in in_order[:2]] == [("alert.opened", "due")] * 2


def test_an_endpoint_that_did_not_ask_for_alerts_hears_of_none(filled):
    hooks.add(filled)
    hooks.add(filled, "https://books.quay.example/other", kinds=["invoice"])
    sweep_on(filled, 14)
    tell(filled)

    assert hooks.deliveries(filled) == []
    hooks.add_customers(filled, 1)
    hooks.tell(filled)
    assert told(filled) == [("customer.changed", "customer")]


def test_an_endpoint_of_alerts_alone_hears_of_no_change_of_the_books(filled):
    hooks.add(filled, kinds=["alert"])
    hooks.add_customers(filled, 1)
    hooks.tell(filled)

    assert hooks.deliveries(filled) == []


def test_many_at_once_become_one_message_with_their_number(filled, monkeypatch):
    monkeypatch.setattr(alerting, "MOST_WAITING", 3)
    hooks.add(filled, kinds=["alert"])
    sweep_on(filled, 14)
    tell(filled)

    (body,) = hooks.bodies(filled)
    assert (body["type"], body["data"]["count"]) == ("alerts.available", 4)
    sweep_on(filled, 5)
    tell(filled)
    assert len(hooks.bodies(filled)) == 1  # what waits says already that there is something to read


def test_a_stopped_endpoint_is_told_what_it_missed_when_it_starts_again(filled):
    endpoint = hooks.add(filled, kinds=["alert"]).endpoint
    endpoints.stop_endpoint(actor=filled.owner, endpoint_id=endpoint.id)
    sweep_on(filled, 14)
    tell(filled)
    assert hooks.deliveries(filled) == []

    endpoints.start_endpoint(actor=filled.owner, endpoint_id=endpoint.id)
    tell(filled)

    assert len(hooks.deliveries(filled)) == 4


def test_who_asks_no_more_is_told_no_more(filled):
    endpoint = hooks.add(filled, kinds=["alert", "invoice"]).endpoint
    endpoints.change_endpoint(
        actor=filled.owner, endpoint_id=endpoint.id, url=endpoint.url, kinds=["invoice"]
    )
    with filled.reading():
        assert not AlertTelling.objects.exists()
    with pytest.raises(BadInput):
        endpoints.change_endpoint(
            actor=filled.owner, endpoint_id=endpoint.id, url=endpoint.url, kinds=["smell"]
        )
