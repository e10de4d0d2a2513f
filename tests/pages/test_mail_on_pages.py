"""A mail that failed is told on its document's page, and what can be done about it works there."""

from __future__ import annotations

import pytest
from django.core import mail

from accounts.permissions import Role
from tests.billing.books import APRIL, close, list_prices, on
from tests.billing.mailing import has_address, run_owed, sendings
from tests.pages.visitors import signed_in, text_of


@pytest.fixture
def failed(north, superuser, settings):
    """An April invoice whose mail was refused for good."""
    has_address(superuser, north, "gone@quay.example")
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    working = settings.EMAIL_BACKEND
    settings.EMAIL_BACKEND = "tests.billing.mailing.Refusing"
    run_owed(north)
    settings.EMAIL_BACKEND = working
    return north


def test_a_failed_address_is_told_and_another_one_gets_it(failed):
    visitor, page = signed_in(failed, Role.BOOKKEEPER), f"/{failed.operator.slug}/money/documents/INV-000001"

    text = text_of(visitor.get(page))
    assert "to gone@quay.example: not sent: The mail server refused the address (550)" in text

    odd = visitor.submit(f"{page}/send", to="nobody")
    assert odd.status_code == 400
    assert "This is no e-mail address. Nothing was sent." in text_of(odd)
    assert 'value="nobody"' in odd.content.decode()

    assert visitor.submit(f"{page}/send", to="accounts@quay.example").status_code == 302
    run_owed(failed)
    assert [message.to for message in mail.outbox] == [["accounts@quay.example"]]
    assert "to accounts@quay.example: sent Mon 15 Jun, 14:00" in text_of(visitor.get(page))


def test_the_customers_address_is_changed_for_what_comes(failed):
    visitor = signed_in(failed, Role.BOOKKEEPER)
    profile = f"/{failed.operator.slug}/money/customers/C1"

    odd = visitor.submit(f"{profile}/email", email="nobody")
    assert odd.status_code == 400
    assert "This is no e-mail address" in text_of(odd)
    answer = visitor.submit(f"{profile}/email", email="accounts@quay.example")
    assert answer.status_code == 302
    shown = visitor.get(answer["Location"])
    assert "The address for mail is changed." in text_of(shown)
    assert 'value="accounts@quay.example"' in shown.content.decode()

    visitor.submit(f"/{failed.operator.slug}/money/documents/INV-000001/send")
    assert sendings(failed)[-1].to == "accounts@quay.example"


def test_a_read_mail_is_told_on_the_page(north, superuser, settings):
    settings.PUBLIC_URL = "https://testserver"
    has_address(superuser, north)
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    run_owed(north)
    page = f"/{north.operator.slug}/money/documents/INV-000001"
    visitor = signed_in(north, Role.VIEWER)
    assert "not opened yet" in text_of(visitor.get(page))

    link = next(word for word in mail.outbox[0].body.split() if "/shared/" in word)
    visitor.get(link.removeprefix("https://testserver"))

    assert "opened Mon 15 Jun, 14:00" in text_of(visitor.get(page))
