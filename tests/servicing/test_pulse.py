"""Each change of what the lookout shows adds a beat; nothing else does, and a rival's never."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.db import transaction

from accounts import clock, tenancy
from servicing.commands.forecasts import refit
from servicing.commands.office import acknowledge_alerts
from servicing.commands.sweeps import sweep
from servicing.commands.uploads import fold_pending, load_events
from servicing.models import Alert
from servicing.projections.pulse import beat
from servicing.queries.pulse import pulse
from tests.cast import NOON, Cast


def beats(cast: Cast) -> int:
    with cast.reading():
        return pulse()[0]


def test_nothing_recorded_is_no_beat(north: Cast) -> None:
    with north.reading():
        assert pulse() == (0, None)


def test_an_upload_is_one_beat_and_the_same_again_none(north: Cast) -> None:
    events = [north.installed(at=NOON - timedelta(days=45)), north.exchanged(at=NOON - timedelta(days=10))]
    north.upload(*events)
    with north.reading():
        assert pulse() == (1, clock.now())
    north.upload(*events)
    assert beats(north) == 1


def test_what_is_folded_later_is_a_beat_then(north: Cast) -> None:
    load_events(actor=north.crew_phone, events=[north.installed(at=NOON - timedelta(days=45))])
    assert beats(north) == 0
    fold_pending(actor=north.crew_phone)
    assert beats(north) == 1


def test_a_sweep_that_opens_or_closes_nothing_is_no_beat(north: Cast) -> None:
    north.upload(north.installed(at=NOON - timedelta(days=45)))
    before = beats(north)
    sweep(actor=north.dispatcher)
    assert beats(north) == before + 1
    sweep(actor=north.dispatcher)
    assert beats(north) == before + 1


def test_taking_note_and_learning_anew_are_beats(north: Cast) -> None:
    north.upload(north.installed(at=NOON - timedelta(days=45)))
    sweep(actor=north.dispatcher)
    before = beats(north)
    with north.reading():
        ids = list(Alert.objects.values_list("id", flat=True))
    acknowledge_alerts(actor=north.dispatcher, alert_ids=ids)
    noted = beats(north)
    assert noted > before
    refit(actor=north.owner)
    assert beats(north) == noted + 1


def test_a_beat_goes_with_its_transaction(north: Cast) -> None:
    def change_and_fail() -> None:
        with tenancy.writing(north.owner):
            beat()
            raise LookupError

    with pytest.raises(LookupError):
        change_and_fail()
    assert beats(north) == 0
    assert not transaction.get_connection().in_atomic_block


def test_beats_of_a_rival_are_not_counted(north: Cast, south: Cast) -> None:
    south.upload(south.installed(at=NOON - timedelta(days=45)))
    assert beats(north) == 0
    assert beats(south) == 1
