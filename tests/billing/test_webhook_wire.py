"""One attempt on the wire, against receivers on this machine that speak real TLS and have good and bad manners."""

from __future__ import annotations

import contextlib
import socket
import time
from datetime import timedelta
from email.utils import format_datetime

import pytest

from accounts import clock
from billing.commands.webhooks import wire
from billing.models import WebhookAttempt
from billing.rules.webhooks import addresses
from billing.rules.webhooks.outcomes import SENTENCES, sentence
from tests.billing.receivers import NAME, Authority, answering, receiving

BODY = b'{"type":"invoice.changed"}'


@pytest.fixture(scope="session")
def authority(tmp_path_factory):
    return Authority(tmp_path_factory.mktemp("authority"))


@pytest.fixture
def receiver(authority, settings):
    with receiving(authority.context(NAME, "127.0.0.1")) as receiver:
        settings.WEBHOOK_TRUST, settings.WEBHOOK_ALLOW = str(authority.file), receiver.place
        yield receiver


@pytest.fixture
def hurried(monkeypatch):
    """The same deadlines, sooner."""
    monkeypatch.setattr(wire, "CONNECT_SECONDS", 1)
    monkeypatch.setattr(wire, "TOTAL_SECONDS", 1)


class Names:
    """A name server that counts what it is asked."""

    def __init__(self, *answers):
        self.answers, self.asked = list(answers), []

    def __call__(self, host):
        self.asked.append(host)
        return self.answers.pop(0) if len(self.answers) > 1 else self.answers[0]


HERE = ["127.0.0.1"]


def post(receiver, path="/hooks/1?a=b", headers=None, resolve=None):
    return wire.post(
        f"https://{NAME}:{receiver.port}{path}", headers or {}, BODY, resolve=resolve or Names(HERE)
    )


def test_a_message_arrives_as_it_was_made(receiver):
    answer = post(receiver, headers={"webhook-id": "msg_1"})

    (received,) = receiver.received
    assert (answer.outcome, answer.status, answer.detail, answer.retry_after) == ("delivered", 204, "", None)
    assert received.line == "POST /hooks/1?a=b HTTP/1.1"
    assert received.body == BODY
    assert received.headers["host"] == receiver.place
    assert received.headers["content-type"] == "application/json"
    assert received.headers["webhook-id"] == "msg_1"
    assert receiver.names == [NAME]


def test_a_name_is_looked_up_once_and_only_what_it_said_is_connected_to(receiver):
    names = Names(HERE, ["127.0.0.2"])

    assert post(receiver, resolve=names).outcome == "delivered"
    assert names.asked == [NAME]


def test_a_name_that_leads_inside_is_not_connected_to(receiver, settings, monkeypatch):
    settings.WEBHOOK_ALLOW = ""
    monkeypatch.setattr(addresses, "PORTS", frozenset({receiver.port}))
    url = f"https://receiver.example:{receiver.port}/"
    for found in (
        HERE,
        ["8.8.8.8", "127.0.0.1"],
        ["::1"],
        ["::ffff:127.0.0.1"],
        ["169.254.169.254"],
        ["fe80::1%lo"],
    ):
        answer = wire.post(url, {}, BODY, resolve=Names(found))
        assert (answer.outcome, answer.detail, answer.status) == ("forbidden_address", "inner-address", None)
    answer = wire.post(f"https://127.0.0.1:{receiver.port}/", {}, BODY)
    assert (answer.outcome, answer.detail) == ("forbidden_address", "address")
    assert receiver.connections == 0


def test_the_next_address_is_tried_when_the_first_is_closed(receiver):
    assert post(receiver, resolve=Names(["127.0.0.2", "127.0.0.1"])).outcome == "delivered"


def test_a_certificate_for_another_name_gets_nothing(authority, receiver):
    with receiving(authority.context("another.test"), port=0) as other, _allowing(other):
        answer = post(other)

    assert (answer.outcome, answer.detail) == ("unreachable", "certificate")
    assert other.received == []


def test_a_certificate_of_nobody_trusted_gets_nothing(receiver, settings):
    settings.WEBHOOK_TRUST = ""

    assert (post(receiver).outcome, receiver.received) == ("unreachable", [])
    assert post(receiver).detail == "certificate"


def test_a_redirection_is_not_followed(authority, receiver):
    with receiving(authority.context(NAME)) as elsewhere:
        receiver.behave = answering("307 Temporary Redirect", f"Location: https://{NAME}:{elsewhere.port}/")
        answer = post(receiver)

    assert (answer.outcome, answer.detail, answer.status) == ("refused", "redirect", 307)
    assert elsewhere.connections == 0


def test_no_proxy_of_the_environment_is_used(authority, receiver, monkeypatch):
    with receiving(authority.context(NAME)) as proxy:
        for name in ("https_proxy", "HTTPS_PROXY", "all_proxy", "ALL_PROXY"):
            monkeypatch.setenv(name, f"http://127.0.0.1:{proxy.port}")
        assert post(receiver).outcome == "delivered"

    assert proxy.connections == 0


@pytest.mark.parametrize(
    ("status", "outcome", "detail"),
    [
        ("200 OK", "delivered", ""),
        ("202 Accepted", "delivered", ""),
        ("299 ", "delivered", ""),
        ("301 Moved", "refused", "redirect"),
        ("400 Bad", "refused", "status"),
        ("410 Gone", "gone", "gone"),
        ("500 Oh", "refused", "status"),
        ("101 Switching", "refused", "status"),
    ],
)
def test_only_2xx_is_delivered(receiver, status, outcome, detail):
    receiver.behave = answering(status, body=b"what they say of it is not kept")

    answer = post(receiver)

    assert (answer.outcome, answer.detail, answer.status) == (outcome, detail, int(status[:3]))
    assert outcome in WebhookAttempt.OUTCOMES
    assert str(answer.status) in sentence(answer.outcome, answer.detail, answer.status)


@pytest.mark.parametrize(
    ("said", "seconds"),
    [("120", 120), ("0", 0), ("soon", None), ("-5", None), ("1.5", None), ("", None)],
)  # fmt: skip
def test_retry_after_is_read(receiver, said, seconds):
    receiver.behave = answering("429 Too Many Requests", f"Retry-After: {said}")

    answer = post(receiver)

    assert (answer.outcome, answer.status, answer.retry_after) == ("refused", 429, seconds)


@pytest.mark.parametrize(("ahead", "least", "most"), [(90, 80, 90), (-90, 0, 0)])
def test_retry_after_may_be_a_date(receiver, ahead, least, most):
    at = clock.machine() + timedelta(seconds=ahead)
    receiver.behave = answering("503 Away", f"Retry-After: {format_datetime(at, usegmt=True)}")

    assert least <= post(receiver).retry_after <= most


def test_interim_answers_are_passed_over(receiver):
    def behave(connection, _received):
        connection.sendall(
            b"HTTP/1.1 100 Continue\r\n\r\nHTTP/1.1 103 Early Hints\r\nLink: </a>\r\n\r\nHTTP/1.1 "
        )
        connection.sendall(b"200 OK\r\nContent-Length: 2\r\n\r\nok")

    receiver.behave = behave

    assert post(receiver).status == 200


def _in_pieces(*pieces, pause=0.05):
    def behave(connection, _received):
        for piece in pieces:
            connection.sendall(piece)
            time.sleep(pause)

    return behave


def _for_ever(piece, server, pause=0.0, first=b""):
    def behave(connection, _received):
        connection.sendall(first)
        while not server.over.is_set():
            connection.sendall(piece)
            time.sleep(pause)

    return behave


def test_an_answer_in_pieces_is_read(receiver):
    receiver.behave = _in_pieces(b"HTTP/1.", b"1 20", b"4 \r\nA: b\r", b"\n", b"\r", b"\n")

    assert post(receiver).status == 204


def test_a_receiver_that_drips_ends_at_the_deadline(receiver, hurried):
    receiver.behave = _for_ever(b"X-Drip: 1\r\n", receiver, 0.1, b"HTTP/1.1 200 OK\r\n")

    answer = post(receiver)

    assert (answer.outcome, answer.detail) == ("timed_out", "answer-timeout")
    assert 900 <= answer.milliseconds <= 1_500


def test_a_receiver_that_says_nothing_ends_at_the_deadline(receiver, hurried):
    receiver.behave = lambda _connection, _received: receiver.over.wait(20)

    assert post(receiver).detail == "answer-timeout"


def test_a_handshake_that_never_ends_does(receiver, hurried):
    receiver.at_once = lambda _plain: receiver.over.wait(20)

    answer = post(receiver)

    assert (answer.outcome, answer.detail) == ("timed_out", "answer-timeout")
    assert answer.milliseconds <= 1_500


@pytest.mark.parametrize("pause", [0.0, 0.1])
def test_a_body_without_end_changes_nothing(receiver, pause):
    receiver.behave = _for_ever(b"x" * 1_000, receiver, pause, b"HTTP/1.1 200 OK\r\n\r\n")

    answer = post(receiver)

    assert (answer.outcome, answer.status) == ("delivered", 200)
    assert answer.milliseconds <= 1_500


def test_headers_without_end_are_not_read_on(receiver):
    receiver.behave = _for_ever(b"X-Much: " + b"x" * 1_000 + b"\r\n", receiver, 0, b"HTTP/1.1 200 OK\r\n")

    answer = post(receiver)

    assert (answer.outcome, answer.detail) == ("refused", "too-large")


@pytest.mark.parametrize(
    ("said", "detail"),
    [(b"220 mail.test\r\n\r\n", "unreadable"), (b"HTTP/1.1 2000\r\n\r\n", "unreadable"), (b"HTTP/2 200\r\n\r\n", "unreadable"),
     (b"HTTP/1.1 200 OK\r\n", "unreadable"), (b"", "reset")],
)  # fmt: skip
def test_what_is_no_answer_is_none(receiver, said, detail):
    receiver.behave = lambda connection, _received: connection.sendall(said)

    answer = post(receiver)

    assert (answer.outcome, answer.detail, answer.status) == ("unreachable", detail, None)


def test_a_receiver_without_tls_gets_nothing(receiver):
    got = []

    def plainly(plain):
        got.append(plain.recv(65_536))
        plain.sendall(b"HTTP/1.1 400 Bad Request\r\n\r\n")

    receiver.at_once = plainly

    assert (post(receiver).outcome, post(receiver).detail) == ("unreachable", "tls")
    assert BODY not in b"".join(got)


def test_a_connection_that_is_hung_up_is_told(receiver):
    receiver.at_once = lambda plain: plain.close()

    assert (post(receiver).outcome, post(receiver).detail) == ("unreachable", "reset")


def test_a_closed_port_is_told(receiver):
    receiver.shutdown()
    receiver.server_close()

    assert (post(receiver).outcome, post(receiver).detail) == ("unreachable", "closed")


def test_a_name_that_is_not_known_is_told(receiver):
    def fail(_host):
        raise socket.gaierror(socket.EAI_NONAME, "unknown")

    assert post(receiver, resolve=fail).detail == "unknown-name"
    assert post(receiver, resolve=lambda _host: []).detail == "unknown-name"


def test_a_name_system_that_hangs_is_not_waited_for(receiver, hurried):
    answer = post(receiver, resolve=lambda _host: receiver.over.wait(20) and HERE)

    assert (answer.outcome, answer.detail) == ("timed_out", "name-timeout")
    assert answer.milliseconds <= 1_500


def test_a_header_is_one_line(receiver):
    with pytest.raises(ValueError, match="one line"):
        post(receiver, headers={"webhook-id": "msg_1\r\nHost: another.test"})

    assert receiver.received == []


def test_the_machines_resolver_gives_each_address_once():
    assert wire.resolved("127.0.0.1") == ["127.0.0.1"]


def test_every_detail_has_its_sentence():
    said = {sentence("refused", detail, 500) for detail in SENTENCES}

    assert len(said) == len(SENTENCES)
    assert not any("{" in one for one in said)
    assert sentence("refused", "of a later version", 500) == "It could not be delivered."


@contextlib.contextmanager
def _allowing(other):
    from django.test import override_settings

    with override_settings(WEBHOOK_ALLOW=other.place):
        yield
