"""An upload: every event gets its own answer, and what is durable is folded."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest

from accounts.errors import Busy
from servicing.commands.office import record_events
from servicing.queries import fleet_state


def test_an_upload_is_accepted_once_and_folded(north):
    install, exchange = north.installed(), north.exchanged()

    first = north.upload(install, exchange)
    again = north.upload(install, exchange)

    assert [fate.fate for fate in first] == ["accepted", "accepted"]
    assert [fate.fate for fate in again] == ["duplicate", "duplicate"]
    assert [fate.position for fate in again] == [fate.position for fate in first]
    with north.reading():
        view = fleet_state.get_unit_view(north.unit.id)
    assert view.status == "up"
    assert view.site_id == north.site.id
    assert view.segment is not None
    assert str(view.segment.due_on) == "2026-07-10"
    assert view.outlook is not None
    assert view.outlook.dry_on is not None
    assert view.outlook.dry_on > (north.agreement.anchor_on + timedelta(days=30))


def test_two_exchanges_a_second_apart_say_nothing_of_the_dose(north):
    moment = north.exchanged()
    second = north.exchanged(at=datetime.fromisoformat(moment["occurred_at"]) + timedelta(seconds=1))

    fates = north.upload(north.installed(), moment, second)

    assert [fate.fate for fate in fates] == ["accepted"] * 3
    with north.reading():
        outlook = fleet_state.get_unit_view(north.unit.id).outlook
    assert outlook is not None
    assert outlook.dose_ml_per_day == north.cartridge.nominal_dose_ml_per_day
    assert outlook.basis["n"] == 0


def test_while_phones_stand_in_line_a_person_in_the_office_does_not(north, superuser):
    north.upload(north.installed())
    superuser.execute(
        "SELECT pg_advisory_lock(hashtextextended('uploads/' || %s::text, 0))", [north.operator.id]
    )
    with pytest.raises(Busy):
        north.upload(north.event("wick.checked", north.unit, condition="good"))
    recorded = record_events(
        actor=north.dispatcher,
        events=[
            {
                "type": "wick.checked",
                "subject": {"kind": "unit", "id": str(north.unit.id)},
                "payload": {"condition": "slow"},
            }
        ],
    )
    superuser.execute("SELECT pg_advisory_unlock_all()")
    assert [fate.fate for fate in recorded] == ["accepted"]
