"""Mail over SMTP (RFC 5321) to a server of the test's own on this machine, that answers as it is told to."""

from __future__ import annotations

import email
import socketserver
import threading
from collections.abc import Iterator
from email import policy
from typing import Any

import pytest

from billing import tasks
from billing.commands.delivering import NotDelivered
from tests.billing.books import APRIL, close, list_prices, on
from tests.billing.mailing import ADDRESS, has_address, owed, run_owed, sendings


class Speaking(socketserver.StreamRequestHandler):
    """As much of a mail server as a client needs that sends one mail."""

    def say(self, answer: str) -> None:
        self.wfile.write(f"{answer}\r\n".encode())

    def handle(self) -> None:
        server: Any = self.server
        self.say("220 mail.test")
        while line := self.rfile.readline():
            verb = line[:4].upper()
            if verb == b"DATA":
                self.say("354 go on")
                server.mails.append(self.read_mail())
                self.say(server.answers.get(b"DATA", "250 kept"))
            elif verb == b"QUIT":
                self.say("221 bye")
                return
            else:
                self.say(server.answers.get(verb, "250 fine"))

    def read_mail(self) -> bytes:
        lines = []
        while (line := self.rfile.readline()) != b".\r\n":
            lines.append(line.removeprefix(b"."))
        return b"".join(lines)


@pytest.fixture
def post_office(settings: Any) -> Iterator[Any]:
    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), Speaking) as server:
        server.daemon_threads = True
        server.mails, server.answers = [], {}  # type: ignore[attr-defined]
        threading.Thread(target=server.serve_forever, daemon=True).start()
        settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
        settings.EMAIL_HOST, settings.EMAIL_PORT = server.server_address[:2]
        settings.EMAIL_USE_TLS, settings.EMAIL_HOST_USER = False, ""
        yield server
        server.shutdown()


@pytest.fixture
def billed(north, superuser, post_office):
    has_address(superuser, north)
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    return north


def test_a_mail_arrives_whole(billed, post_office):
    run_owed(billed)

    (raw,) = post_office.mails
    message = email.message_from_bytes(raw, policy=policy.default)
    (letter,) = message.iter_attachments()
    assert message["To"] == ADDRESS
    assert message["Subject"] == "Invoice INV-000001 from North Fixture Care"
    assert "75.00 EUR" in message.get_body().get_content()
    assert letter.get_filename() == "INV-000001.pdf"
    assert letter.get_content()[:5] == b"%PDF-"
    assert sendings(billed)[0].sent_at is not None


@pytest.mark.parametrize(
    ("answers", "said"),
    [
        ({b"RCPT": "550 no such mailbox"}, "The mail server refused the address (550)."),
        ({b"MAIL": "553 not from you"}, "The mail server refused the mail (553)."),
        ({b"DATA": "554 not this"}, "The mail server refused the mail (554)."),
    ],
)
def test_a_refusal_for_good_is_told(billed, post_office, answers, said):
    post_office.answers.update(answers)

    run_owed(billed)

    assert [one.failed for one in sendings(billed)] == [said]
    assert owed(billed) == []


@pytest.mark.parametrize(
    ("answers", "said"),
    [
        ({b"RCPT": "450 later"}, "put the address off .450."),
        ({b"DATA": "452 no room"}, "put the mail off .452."),
    ],
)
def test_a_refusal_for_now_is_tried_again(billed, post_office, answers, said):
    post_office.answers.update(answers)
    (job,) = owed(billed)
    with pytest.raises(NotDelivered, match=said):
        tasks.send(str(billed.operator.id), str(job.id))

    post_office.answers.clear()
    run_owed(billed)

    assert len(sendings(billed)) == 1
    assert sendings(billed)[0].sent_at is not None


def test_a_server_that_hangs_up_is_tried_again(billed, post_office, settings):
    post_office.shutdown()
    post_office.server_close()
    (job,) = owed(billed)

    with pytest.raises(NotDelivered, match=r"could not be reached .ConnectionRefusedError."):
        tasks.send(str(billed.operator.id), str(job.id))

    assert [(one.sent_at, one.failed) for one in sendings(billed)] == [(None, "")]
