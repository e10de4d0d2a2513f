"""Customers, sites, contacts, agreements and standstills by form: what is wrong stands beside the field, what was typed stays."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from accounts import clock, queries
from accounts.commands import operators
from accounts.models import Job
from accounts.permissions import Role
from servicing.commands import office
from servicing.queries import fleet_state
from tests.cast import Cast
from tests.pages.visitors import signed_in, text_of


def set_up(cast: Cast) -> str:
    return f"/{cast.operator.slug}/set-up"


def site_form(**values: Any) -> dict[str, Any]:
    return {"name": "Marl Quay School", "kind": "school", "dust": "normal", **values}


def test_a_customer_is_added_changed_and_found(north: Cast) -> None:
    visitor = signed_in(north, Role.OWNER)
    new = visitor.get(f"{set_up(north)}/new-customer").content.decode()
    # The next code and the country of the other customers are proposed.
    assert 'value="C2"' in new
    assert '<option value="DE" selected>' in new
    path = f"{set_up(north)}/new-customer"
    added = visitor.submit(path, code="C2", name="Fen Arena", country="DE", address="Dock 4")
    assert added["Location"] == f"{set_up(north)}/customers/C2"
    assert "Fen Arena has 0 sites." in text_of(visitor.get(added["Location"]))
    changed = visitor.submit(
        added["Location"], name="Fen Arenas", country="DE", billing_email="pay@fen.example"
    )
    assert changed.status_code == 302
    with north.reading():
        customer = queries.customer_by_code("C2")
    assert (customer.name, customer.address, customer.billing_email) == ("Fen Arenas", "", "pay@fen.example")
    found = text_of(visitor.get(f"{set_up(north)}/customers/?find=fen"))
    assert "1 customer with “fen”." in found
    assert "Quay Schools" not in found


def test_a_code_that_is_taken_is_said_beside_its_field_and_what_was_typed_stays(north: Cast) -> None:
    visitor = signed_in(north, Role.OWNER)
    answer = visitor.submit(f"{set_up(north)}/new-customer", code="C1", name="Fen Arena", country="DE")
    assert answer.status_code == 409
    page = answer.content.decode()
    assert 'id="id_code_error"' in page
    assert "a customer of this code, C1, exists already." in text_of(answer)
    assert 'value="Fen Arena"' in page


def test_whoever_sends_no_documents_leaves_the_address_for_invoices_as_it_is(north: Cast) -> None:
    dispatcher = signed_in(north, Role.DISPATCHER)
    path = f"{set_up(north)}/customers/C1"
    assert (
        dispatcher.submit(path, name="Quay", country="DE", billing_email="me@else.example").status_code == 302
    )
    with north.reading():
        assert queries.customer_by_code("C1").billing_email == ""
    assert signed_in(north, Role.VIEWER).get(path).status_code == 403


def test_a_site_is_added_in_the_operators_units_and_its_position_read_as_maps_write_it(north: Cast) -> None:
    operators.change_operator(
        actor=north.owner, name="North", legal_name="North Ltd", locale="en-US", measures="us"
    )
    visitor = signed_in(north, Role.DISPATCHER)
    page = visitor.get(f"{set_up(north)}/new-site?customer=C1").content.decode()
    assert "grains per gallon" in page
    values = site_form(
        name="Fen Arena", customer=str(north.customer.id), code="S2", kind="arena", zone="Europe/Berlin",
        position="54.323333, 10.139444", hardness_mg_per_l="14", crew=str(north.crew.id),
    )  # fmt: skip
    assert visitor.submit(f"{set_up(north)}/new-site", **values).status_code == 302
    with north.reading():
        site = queries.site_by_code("S2")
    # 14 grains per US gallon are 239.7 mg/L: one is 17.118 (64.79891 mg in 3.785411784 L, NIST Handbook 44).
    assert site.hardness_mg_per_l == 240
    assert (site.latitude, site.longitude) == (Decimal("54.323333"), Decimal("10.139444"))
    wrong = visitor.submit(
        f"{set_up(north)}/new-site", **{**values, "code": "S3", "position": "north of town"}
    )
    assert wrong.status_code == 422
    assert 'id="id_position_error"' in wrong.content.decode()
    assert "Enter latitude and longitude in degrees" in text_of(wrong)
    assert 'value="north of town"' in wrong.content.decode()


def test_a_change_of_a_site_owes_its_forecasts_anew_and_moves_neither_zone_nor_customer(north: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    path = f"{set_up(north)}/sites/S1"
    values = site_form(hardness_mg_per_l="310", access="Report at the desk.", zone="Asia/Tokyo", code="X9")
    assert visitor.submit(path, **values).status_code == 302
    with north.reading():
        site = queries.get_site(north.site.id)
        owed = Job.objects.filter(
            kind="servicing.tasks.refresh_due", dedup_key__startswith=f"site/{site.id}"
        ).count()
    assert (site.hardness_mg_per_l, site.access, site.crew_id) == (310, "Report at the desk.", None)
    assert (site.zone, site.code, site.customer_id) == ("Europe/Berlin", "S1", north.customer.id)
    assert owed == 1


def test_contacts_are_added_once_changed_and_removed(north: Cast, south: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    path = f"{set_up(north)}/sites/S1/contacts"
    assert (
        visitor.submit(path, email="Desk@Quay.example", name="Desk", wants_announcements="on").status_code
        == 302
    )
    again = visitor.submit(path, email="desk@quay.example")
    assert again.status_code == 409
    assert "This site has a contact with this e-mail address already." in text_of(again)
    with north.reading():
        contact = queries.contacts_of(north.site.id).get()
    assert (contact.email, contact.wants_announcements) == ("desk@quay.example", True)
    assert visitor.submit(f"{path}/{contact.id}", email="desk@quay.example", name="Gate").status_code == 302
    with north.reading():
        assert not queries.get_contact(contact.id).wants_announcements
    rival = signed_in(south, Role.OWNER)
    assert rival.submit(f"{set_up(south)}/sites/S1/contacts/{contact.id}/remove").status_code == 404
    assert visitor.submit(f"{path}/{contact.id}/remove").status_code == 302
    with north.reading():
        assert not queries.contacts_of(north.site.id).exists()


def test_other_terms_begin_where_the_agreement_ends(north: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    path = f"{set_up(north)}/sites/S1/agreements/{north.agreement.id}"
    form = visitor.get(f"{path}/other-terms").content.decode()
    # The form begins with the terms in force.
    assert 'name="anchor_on" value="2026-01-10"' in form
    terms = {"number": "A2", "anchor_on": "2026-01-10", "interval_months": "2"}
    terms |= {"grace_before_days": "4", "grace_after_days": "2"}
    early = visitor.submit(f"{path}/other-terms", starts_on="2026-01-01", **terms)
    assert early.status_code == 400
    assert "The new terms begin after" in text_of(early)
    with north.reading():
        assert queries.get_agreement(north.agreement.id).ends_on is None
    assert visitor.submit(f"{path}/other-terms", starts_on="2026-08-01", **terms).status_code == 302
    with north.reading():
        first, second = queries.agreements_of([north.site.id])[north.site.id]
    assert (first.ends_on, second.starts_on, second.interval_months) == (
        date(2026, 8, 1),
        date(2026, 8, 1),
        2,
    )
    said = text_of(visitor.get(f"{set_up(north)}/sites/S1"))
    assert (
        "A2: every 2 months, counted from 10 Jan 2026, with 4 days of grace before and 2 days after" in said
    )
    assert "Its last day is 31 Jul 2026." in said


def test_other_terms_under_a_number_that_is_taken_leave_the_agreement_running(north: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    path = f"{set_up(north)}/sites/S1/agreements/{north.agreement.id}/other-terms"
    terms = {"number": "A1", "anchor_on": "2026-01-10", "interval_months": "2", "starts_on": "2026-08-01"}
    taken = visitor.submit(path, grace_before_days="4", grace_after_days="2", **terms)
    assert taken.status_code == 409
    assert 'id="id_number_error"' in taken.content.decode()
    with north.reading():
        assert queries.get_agreement(north.agreement.id).ends_on is None


def test_an_agreement_ends_after_the_day_named_as_its_last(north: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    path = f"{set_up(north)}/sites/S1/agreements"
    assert visitor.submit(f"{path}/{north.agreement.id}/end", last_day="2026-06-30").status_code == 302
    with north.reading():
        assert queries.get_agreement(north.agreement.id).ends_on == date(2026, 7, 1)
    assert "no agreement without an end" in text_of(visitor.get(f"{set_up(north)}/sites/S1"))
    wide = {"grace_before_days": "14", "grace_after_days": "3", "interval_months": "1"}
    refused = visitor.submit(path, number="A2", starts_on="2026-07-01", anchor_on="2026-07-01", **wide)
    assert refused.status_code == 422
    assert "Enter a whole number from 0 to 13." in text_of(refused)


def pauses(cast: Cast) -> list[Any]:
    with cast.reading():
        return list(fleet_state.standstills_of(cast.site.id))


def test_a_standstill_begins_once_and_ends_with_a_day(north: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    path = f"/{north.operator.slug}/sites/S1/standstill"
    form_id = visitor.get(path).context["form"]["id"].value()
    values = {"id": str(form_id), "starts_on": "2026-07-06", "ends_on": "", "billing": "half"}
    assert visitor.submit(path, **values).status_code == 302
    assert visitor.submit(path, **values).status_code == 302
    (pause,) = pauses(north)
    assert "From Mon 6 Jul until further notice, billed by half." in text_of(visitor.get(path))
    early = visitor.submit(f"{path}/{pause.event_id}/end", last_day="2026-07-01")
    assert early.status_code == 400
    assert "Choose Mon 6 Jul or a later day." in text_of(early)
    assert visitor.submit(f"{path}/{pause.event_id}/end", last_day="2026-08-14").status_code == 302
    assert [(one.starts_on, one.ends_on) for one in pauses(north)] == [(date(2026, 7, 6), date(2026, 8, 14))]
    listed = text_of(visitor.get(f"{set_up(north)}/standstills/"))
    assert "No site is in a standstill today." in listed
    assert "Marl Quay School" in listed


def test_of_two_standstills_over_one_day_one_is_undone_first(north: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    path = f"/{north.operator.slug}/sites/S1/standstill"
    today = clock.today(north.site.zone)
    for billing in ("none", "full"):
        office.begin_standstill(
            actor=north.dispatcher,
            site_id=north.site.id,
            starts_on=today,
            ends_on=today + timedelta(days=30),
            billing=billing,
        )
    first, second = pauses(north)
    ending = visitor.submit(f"{path}/{first.event_id}/end", last_day=str(today + timedelta(days=5)))
    assert ending.status_code == 409
    assert visitor.submit(f"{path}/{second.event_id}/undo").status_code == 302
    assert visitor.submit(f"{path}/{first.event_id}/end", last_day=str(today)).status_code == 302
    assert [one.ends_on for one in pauses(north)] == [today]
