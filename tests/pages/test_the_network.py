"""The franchise's network among the pages: its statements, and nothing else of the operator."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from decimal import Decimal
from uuid import uuid4

import pytest

from accounts import clock
from accounts.permissions import Permission, Role
from billing.commands import royalty
from billing.rules.royalty import Basis, Tier
from tests.billing.books import APRIL, MAY, close, list_prices, on
from tests.cast import PASSWORD, Cast
from tests.pages.visitors import Visitor, signed_in, text_of
from tests.test_architecture import addresses

# Its statements, and in which language it reads them.
OPEN_TO_IT = {Permission.OWN_SETTINGS, Permission.ROYALTY_READ}
AT = datetime(2026, 6, 4, 9, tzinfo=UTC)


@pytest.fixture
def stated(north: Cast) -> Cast:
    """An operator that stated May to its network: 75.00 EUR billed, 10 % of it and 2 % for the fund."""
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    royalty.set_royalty_terms(
        actor=north.owner,
        effective_from=MAY,
        network_name="Drip Network",
        basis=Basis.BILLED,
        tiers=[Tier(Decimal(50), Decimal(10)), Tier(None, Decimal(8))],
        fund_percent=Decimal(2),
    )
    with clock.playing(AT):
        royalty.state_month(actor=north.owner, month=MAY)
    return north


def test_the_network_signs_in_and_lands_on_its_statements(stated):
    visitor = Visitor()
    email = stated.users[Role.NETWORK].email
    visitor.submit("/sign-in/", email=email, password=PASSWORD)

    assert visitor.get("/")["Location"] == f"/{stated.operator.slug}/royalty/"
    page = text_of(visitor.get(f"/{stated.operator.slug}/royalty/"))
    # 10 % of 50.00, 8 % of 25.00; 2 % of 75.00.
    assert "For May 2026 the royalty is 7.00 EUR, and 1.50 EUR go to the marketing fund." in page


def test_its_navigation_has_nothing_else(stated):
    answer = signed_in(stated, Role.NETWORK).get(f"/{stated.operator.slug}/royalty/")
    page = answer.content.decode()
    links = set(re.findall(rf'href="/{stated.operator.slug}/([^"]*)"', page))

    assert links == {"me", "royalty/", "royalty/2026-05"}
    assert "Royalty Network Sign out" in text_of(answer)
    assert "State June 2026" not in text_of(answer)
    assert "Set other terms" not in text_of(answer)


def test_a_statement_lists_its_documents_for_the_network_by_number_and_amount_only(stated):
    page = f"/{stated.operator.slug}/royalty/2026-05"

    network = signed_in(stated, Role.NETWORK).get(page)
    bookkeeper = signed_in(stated, Role.BOOKKEEPER).get(page)

    assert "invoice INV-000001" in text_of(network)
    assert "75.00" in text_of(network)
    assert "INV-000001</a>" not in network.content.decode()
    assert stated.customer.name not in network.content.decode()
    assert "INV-000001</a>" in bookkeeper.content.decode()
    assert signed_in(stated, Role.BOOKKEEPER).get(document_link(bookkeeper)).status_code == 200


def document_link(answer):
    return re.search(r'href="([^"]+INV-000001)"', answer.content.decode())[1]


def test_a_statement_shows_how_its_royalty_is_reckoned(stated):
    text = text_of(signed_in(stated, Role.NETWORK).get(f"/{stated.operator.slug}/royalty/2026-05"))

    assert "Royalty for May 2026: 7.00 EUR, and 1.50 EUR for the fund." in text
    assert "10 % from 0.00 to 50.00 50.00 5.00" in text
    assert "8 % above 50.00 25.00 2.00" in text
    assert "Marketing fund, 2 % 75.00 1.50" in text


def operator_pages():
    return [(route, name, view) for route, name, view in addresses() if route.startswith("<slug:slug>/")]


def filled(route, slug):
    route = route.replace("<slug:slug>", slug)
    route = re.sub(r"<uuid:\w+>", str(uuid4()), route)
    return "/" + re.sub(r"<(str|slug|path|int):\w+>", "1", route)


def test_every_other_page_of_the_operator_is_closed_to_it(stated):
    found, wanted, own = {}, {}, set()
    for route, name, view in operator_pages():
        # Anew for each: one of the pages signs out everywhere.
        visitor = signed_in(stated, Role.NETWORK)
        if route.startswith("<slug:slug>/me"):
            own.add(name)
        path = filled(route, stated.operator.slug)
        answer = visitor.get(path)
        if answer.status_code == 405:
            answer = visitor.submit(path)
        found[name] = answer.status_code == 403
        wanted[name] = view.permission not in OPEN_TO_IT

    assert len(found) > 25
    assert found == wanted
    assert {name for name, closed in found.items() if not closed} == {"royalty", "royalty-statement", *own}
    assert {"me", "where-signed-in", "own-password", "own-second-factor"} <= own


def test_a_refusal_leads_the_network_back_to_its_statements(stated):
    answer = signed_in(stated, Role.NETWORK).get(f"/{stated.operator.slug}/")

    assert answer.status_code == 403
    assert f'href="/{stated.operator.slug}/royalty/"' in answer.content.decode()
    assert "begin again at the statements." in text_of(answer)


def test_the_network_of_another_operator_finds_nothing(stated, south):
    visitor = signed_in(south, Role.NETWORK)

    assert visitor.get(f"/{stated.operator.slug}/royalty/").status_code == 404
    assert visitor.get(f"/{south.operator.slug}/royalty/2026-05").status_code == 404
    assert "No terms with a network are set." in text_of(visitor.get(f"/{south.operator.slug}/royalty/"))


def test_a_month_that_is_no_month_is_not_found(stated):
    for odd in ("2026-13", "may", "2026-04"):
        assert signed_in(stated, Role.OWNER).get(f"/{stated.operator.slug}/royalty/{odd}").status_code == 404
