"""Where the office makes, prints and takes back links, and tells sites of visits."""

from __future__ import annotations

import html
import re
from datetime import date

from accounts.commands.contacts import add_contact
from accounts.permissions import Role
from servicing.commands import links as commands
from tests.pages.visitors import Visitor, signed_in, text_of
from tests.servicing.recorded import planned, second_room


def page_of(cast):
    return f"/{cast.operator.slug}/sites/S1/record-links"


def test_a_link_is_made_shown_and_taken_back(north, settings):
    settings.PUBLIC_URL = "https://testserver"
    visitor, page = signed_in(north, Role.DISPATCHER), page_of(north)
    assert "0 links open the service record of Marl Quay School." in text_of(visitor.get(page))

    assert visitor.submit(page, what="site", label="Reception").status_code == 302
    shown = visitor.get(page)
    address = re.search(r'value="https://testserver(/r/[0-9A-Z]{20})"', shown.content.decode())[1]
    assert "1 link opens the service record" in text_of(shown)
    assert "The whole site, Reception made Mon 15 Jun, 14:00, not opened yet" in text_of(shown)
    assert Visitor().get(address).status_code == 200
    assert "last opened Mon 15 Jun, 14:00" in text_of(visitor.get(page))

    revoke = re.search(r'action="([^"]+/revoke)"', shown.content.decode())[1]
    assert visitor.submit(revoke)["Location"] == page
    assert Visitor().get(address).status_code == 404
    after = visitor.get(page)
    assert "taken back Mon 15 Jun, 14:00" in text_of(after)
    assert address not in after.content.decode()


def test_a_restroom_has_a_code_to_print(north, settings):
    settings.PUBLIC_URL = "https://testserver"
    second_room(north)
    visitor, page = signed_in(north, Role.DISPATCHER), page_of(north)
    assert "No restroom of this site has a link yet." in text_of(visitor.get(f"{page}/codes"))

    visitor.submit(page, what="every-room")
    sheet = visitor.get(f"{page}/codes")
    body = html.unescape(sheet.content.decode())

    assert "2 codes to print" in text_of(sheet)
    assert body.count('<svg xmlns="http://www.w3.org/2000/svg"') == 2
    assert body.count("Scan to see the service record or tell us something") == 2
    addresses = re.findall(r"HTTPS://TESTSERVER(/R/[0-9A-Z]{20})", body)
    assert len(set(addresses)) == 2
    assert "Ground floor" in text_of(Visitor().get(addresses[1]))


def test_a_link_for_one_restroom_and_for_none_of_this_site(north, south):
    visitor, page = signed_in(north, Role.DISPATCHER), page_of(north)

    assert visitor.submit(page, what=str(north.stations[0].restroom_id)).status_code == 302
    refused = visitor.submit(page, what=str(south.stations[0].restroom_id), label="Kept")
    assert refused.status_code == 404
    assert 'value="Kept"' in refused.content.decode()
    assert visitor.submit(page, what="site", label="x" * 121).status_code == 400
    text = text_of(visitor.get(page))
    assert "1 link opens" in text
    assert "Ground floor made Mon 15 Jun" in text


def test_a_customers_link(north, settings):
    settings.PUBLIC_URL = "https://testserver"
    visitor, page = (
        signed_in(north, Role.DISPATCHER),
        f"/{north.operator.slug}/set-up/customers/C1/record-links",
    )
    assert "0 links open the service record of all sites of Quay Schools." in text_of(visitor.get(page))

    visitor.submit(page, label="Facility manager")
    shown = visitor.get(page)

    assert "All sites, Facility manager" in text_of(shown)
    address = re.search(r'value="https://testserver(/r/[0-9A-Z]{20})"', shown.content.decode())[1]
    assert "Marl Quay School" in text_of(Visitor().get(address))
    revoke = re.search(r'action="([^"]+/revoke)"', shown.content.decode())[1]
    assert visitor.submit(revoke)["Location"] == page
    assert visitor.get(f"/{north.operator.slug}/set-up/customers/C9/record-links").status_code == 404


def test_a_site_is_told_of_a_visit_from_here_once(north):
    plan = planned(north, date(2026, 6, 18))
    visitor, page = signed_in(north, Role.DISPATCHER), page_of(north)
    assert "Nobody at this site is told of visits." in text_of(visitor.get(page))
    announce = f"/{north.operator.slug}/planned/{plan.id}/announce"
    assert visitor.submit(announce).status_code == 409

    add_contact(actor=north.dispatcher, site_id=north.site.id, email="desk@quay.example")
    assert announce in visitor.get(page).content.decode()
    for _ in range(2):
        assert visitor.submit(announce)["Location"] == page
    text = text_of(visitor.get(page))
    assert "1 contact is told of each planned visit the day before." in text
    assert text.count("desk@quay.example On its way.") == 1


def test_who_may_not_share_records_sees_none_of_it(north, south):
    link, _token = commands.make_link(actor=north.owner, site_id=north.site.id)
    revoke = f"/{north.operator.slug}/record-links/{link.id}/revoke"

    for role in (Role.VIEWER, Role.CREW_MEMBER, Role.BOOKKEEPER):
        visitor = signed_in(north, role)
        assert visitor.get(page_of(north)).status_code == 403
        assert visitor.get(f"{page_of(north)}/codes").status_code == 403
        assert visitor.submit(revoke).status_code == 403
    rival = signed_in(south, Role.OWNER)
    assert rival.get(page_of(north)).status_code == 404
    assert rival.submit(f"/{south.operator.slug}/record-links/{link.id}/revoke").status_code == 404
