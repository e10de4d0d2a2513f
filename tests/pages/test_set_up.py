"""The operator's own set-up: phones, crews and service rules."""

from __future__ import annotations

import re

from accounts import clock, queries
from accounts.commands import operators
from accounts.commands.operators import token_digest
from accounts.permissions import Role
from tests.cast import Cast
from tests.pages.visitors import signed_in, text_of


def test_a_phone_is_registered_with_a_token_shown_once_and_can_be_revoked(north: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    path = f"/{north.operator.slug}/set-up/phone"
    answer = visitor.submit(path, crew=str(north.crew.id), label="Van 2")
    shown = re.search(r"<code>(wr_[^<]+)</code>", answer.content.decode())
    assert shown is not None
    binding = queries.token_binding(token_digest(shown[1]))
    assert binding is not None
    assert (binding.label, binding.crew_id, binding.revoked_at) == ("Van 2", north.crew.id, None)
    page = visitor.get(f"/{north.operator.slug}/set-up/crews/")
    assert "Van 2" in text_of(page)
    assert shown[1] not in page.content.decode()
    visitor.submit(f"/{north.operator.slug}/set-up/phone/{binding.device_id}/revoke")
    revoked = queries.token_binding(token_digest(shown[1]))
    assert revoked is not None
    assert revoked.revoked_at == clock.now()


def test_another_operators_crew_or_phone_is_out_of_reach(north: Cast, south: Cast) -> None:
    visitor = signed_in(south, Role.OWNER)
    path = f"/{south.operator.slug}/set-up/phone"
    assert visitor.submit(path, crew=str(north.crew.id), label="Van 9").status_code == 422
    assert visitor.submit(f"{path}/{north.phone.id}/revoke").status_code == 404


def test_service_rules_are_set_from_today_on_and_never_backwards(north: Cast) -> None:
    values: dict[str, object] = {
        "long_past_days": 10,
        "dry_soon_days": 4,
        "wick_watch_days": 400,
        "wick_limit_days": 500,
    }
    values |= {"dry_target": "0.05", "false_alarms_per_1000": "1.5", "wick_change_cost": "9.5"}
    values |= {"wick_failure_cost": "40", "wick_down_day_cost": "0", "wick_wash_cost": "2"}
    path = f"/{north.operator.slug}/set-up/rules"
    owner = signed_in(north, Role.OWNER)
    past = owner.submit(path, effective_from="2026-06-14", **values)
    assert past.status_code == 422
    assert "Choose today or later." in text_of(past)
    assert owner.submit(path, effective_from="2026-06-15", **values).status_code == 302
    said = text_of(owner.get(path))
    assert "a unit is long past 10 days after its grace" in said
    assert "a chance of 5 %; 1.5 of 1,000 visits" in said
    assert "changed in time costs 9.50, one that fails 40.00 and 0.00 for each day" in said
    certain = owner.submit(path, effective_from="2026-07-01", **{**values, "dry_target": "1"})
    assert certain.status_code == 422
    again = owner.submit(path, effective_from="2026-06-15", **values)
    assert again.status_code == 409
    dispatcher = signed_in(north, Role.DISPATCHER)
    assert dispatcher.submit(path, effective_from="2026-07-01", **values).status_code == 403


def test_a_crew_is_added_by_name(north: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    assert visitor.submit(f"/{north.operator.slug}/set-up/crew", name="Crew B").status_code == 302
    assert "Crew B" in text_of(visitor.get(f"/{north.operator.slug}/set-up/crews/"))
    again = visitor.submit(f"/{north.operator.slug}/set-up/crew", name="Crew B")
    assert again.status_code == 409


PAGES = (
    "me", "set-up/", "set-up/begin", "set-up/customers/", "set-up/new-customer", "set-up/customers/C1", "set-up/sites/",
    "set-up/new-site", "set-up/sites/S1", "set-up/sites/S1/agreements", "set-up/standstills/", "sites/S1/standstill",
    "set-up/crews/", "set-up/people/", "set-up/rules", "set-up/operator",
)  # fmt: skip


def test_every_page_names_its_fields_once_and_is_read_in_the_operators_language(north: Cast) -> None:
    operators.change_operator(
        actor=north.owner, name="North", legal_name="North Ltd", locale="de-DE", measures="metric"
    )
    owner, path = signed_in(north, Role.OWNER), f"/{north.operator.slug}"
    own = [
        f"set-up/crews/{north.crew.id}",
        f"set-up/people/{north.owner.id}",
        f"set-up/sites/S1/agreements/{north.agreement.id}/end",
        f"set-up/sites/S1/agreements/{north.agreement.id}/other-terms",
    ]
    for page in (*PAGES, *own):
        answer = owner.get(f"{path}/{page}")
        body = answer.content.decode()
        assert (answer.status_code, answer["Content-Language"]) == (200, "de"), page
        assert len(re.findall("<h1", body)) == 1, page
        ids = re.findall(r'\bid="([^"]+)"', body)
        assert len(ids) == len(set(ids)), page
        fields = re.findall(r'<(?:input|select|textarea)\b(?![^>]*type="hidden")[^>]*\bid="([^"]+)"', body)
        named = set(re.findall(r'<label[^>]*\bfor="([^"]+)"', body))
        ticked = {one for one in fields if re.search(rf'<label class="check"><input[^>]*id="{one}"', body)}
        assert set(fields) <= named | ticked, page
