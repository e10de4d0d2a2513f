"""Every operation that changed an audited row has an entry with its Request-Id and its name, made in the same transaction.

OWASP API Security Top 10 2023, API6: a sensitive flow leaves a trace; here each of them does, and all others too.
"""

from __future__ import annotations

import pytest

from accounts import clock
from config.schema.view import document
from tests.api.callers import live
from tests.api.calls import every_call
from tests.audited import Recorder
from tests.cast import NOON, new_cast

# What sensitive operations leave behind: the invoice and the credit note that were issued, the close, the key of a phone.
SENSITIVE = {
    "close_month": {("added", "period close"), ("added", "document")},
    "credit_invoice": {("added", "document")},
    "register_device": {("added", "device"), ("added", "access token")},
    "revoke_device": {("changed", "device")},
    "add_webhook_endpoint": {("added", "webhook endpoint")},
    "rotate_webhook_secret": {("changed", "webhook endpoint")},
    "record_payments": {("added", "payment")},
}
# Those that record work, of which the log says who did; that only ask, or owe a message; or here set what was so before.
CHANGE_NOTHING_AUDITED = {
    "acknowledge_alert",
    "add_report",
    "begin_standstill",
    "close_report",
    "counter_service_event",
    "end_standstill",
    "keep_personal_text",
    "keep_photo",
    "preview_bank_file",
    "preview_month",
    "replay_webhook_deliveries",
    "replay_webhook_delivery",
    "set_site_billing",
    "set_site_usual_crew",
    "test_webhook_endpoint",
    "upload_service_events",
}


@pytest.fixture(scope="module")
def asked(database):
    """Each operation called once: its method, what it changed and the audit has not, and what the audit has."""
    import psycopg

    found = {}
    with (
        clock.playing(NOON),
        psycopg.connect(database.superuser_url, autocommit=True) as superuser,
    ):
        cast = new_cast("audited")
        ids = live(cast)
        recorder = Recorder(superuser, cast.operator.id)
        for call in every_call(cast, ids, document()):
            request_id = call.answer.headers["Request-Id"]
            told = recorder.told(request_id)
            # What a call needed beforehand has requests of its own; they are compared too.
            untold = {
                one
                for one in recorder.changed()
                if not superuser.execute(
                    "SELECT 1 FROM accounts_auditentry WHERE operator_id = %s AND action = %s AND kind = %s AND row_id = %s",
                    [cast.operator.id, *one],
                ).fetchone()
            }
            found[call.name] = (call.method, call.answer.status_code, untold, told)
    return found


def test_no_operation_changes_an_audited_row_without_an_entry(asked):
    assert {name: untold for name, (_, _, untold, _) in asked.items() if untold} == {}
    assert len(asked) > 100


def test_every_entry_of_an_operation_names_it_and_who_asked(asked):
    for name, (method, _status, _untold, told) in asked.items():
        for _, _, _, door, actor_kind in told:
            assert door.startswith(f"{method.upper()} api-"), (name, door)
            assert actor_kind in {"member", "device"}, (name, actor_kind)


def test_what_only_reads_changes_nothing(asked):
    assert {name for name, (method, _, _, told) in asked.items() if method == "get" and told} == set()


def test_every_operation_that_writes_has_an_entry_unless_it_changes_nothing_audited(asked):
    silent = {
        name
        for name, (method, status, _, told) in asked.items()
        if method != "get" and status < 400 and not told
    }
    assert silent <= CHANGE_NOTHING_AUDITED


@pytest.mark.parametrize("name", sorted(SENSITIVE))
def test_sensitive_operations_leave_what_they_made(asked, name):
    _, status, _, told = asked[name]
    assert status < 300
    assert SENSITIVE[name] <= {(action, kind) for action, kind, *_ in told}
