"""The figures page and its API: how long wicks last, what units drip, how the service is kept; each with its sureness."""

from __future__ import annotations

from datetime import UTC, datetime

from accounts import clock
from accounts.permissions import Role, system_actor
from servicing.commands import forecasts
from tests.api.callers import signed_in as calling
from tests.cast import Cast
from tests.pages.visitors import signed_in, text_of


def on(month: int, day: int) -> datetime:
    return datetime(2026, month, day, 9, tzinfo=UTC)


def served(north: Cast) -> None:
    """Due on the 10th, in grace from the 5th to the 13th: kept in April and June, five days past grace in May."""
    exchange = {"cartridge_id": str(north.cartridge.id), "charge_ml": 280}
    north.upload(
        north.installed(at=on(3, 20)),
        *(
            north.event(
                "cartridge.exchanged",
                north.unit,
                at,
                **exchange,
                cartridge_left_ml=40,
                reservoir_before_ml=15,
            )
            for at in (on(4, 10), on(5, 18), on(6, 11))
        ),
    )


def test_a_new_operator_is_told_that_all_is_assumed(north: Cast) -> None:
    body = text_of(signed_in(north, Role.OWNER).get(f"/{north.operator.slug}/figures/"))
    assert "Too few due days for a rate yet; half of the wicks last an assumed 16.4 months or longer." in body
    assert "Nothing has been learnt from your visits yet" in body
    assert "Assumed, not yet yours: a typical unit drips 100 % of its cartridge's nominal dose" in body
    assert "No due day's grace ended in these days." in body


def test_a_late_exchange_shows_in_the_rate_and_in_the_ageing(north: Cast) -> None:
    served(north)
    with clock.playing(on(6, 20)):
        body = text_of(signed_in(north, Role.VIEWER).get(f"/{north.operator.slug}/figures/"))
        answer = calling(north, Role.VIEWER).read("service-figures").json()
    assert "Of 3 due days, too few for a rate, a share of 1 unit at 1 site between" in body
    assert "1 due day went past grace; half were served by day 5 after it." in body
    assert answer["on_time"]["n"] == 3
    assert answer["on_time"]["rate"] is None
    # Wilson's 95 % interval of 2 in 3: Newcombe 1998, method 3, by hand.
    assert [round(answer["on_time"][name], 3) for name in ("low", "high")] == [0.208, 0.939]
    assert answer["late_spells"] == 1
    assert answer["ageing"][-1]["days"] == 5
    assert {row["units"] for row in answer["still_open"]} == {0}


def test_a_unit_nobody_has_come_back_to_is_counted_as_waiting(north: Cast) -> None:
    served(north)
    with clock.playing(on(7, 20)):
        answer = calling(north, Role.VIEWER).read("service-figures", days=30).json()
    # Past grace since 14 July: seven days by the 20th, in the bucket of four to seven.
    assert [row["units"] for row in answer["still_open"]] == [0, 1, 0, 0, 0]
    assert answer["on_time"]["n"] == 1


def test_after_a_refit_the_page_says_what_it_rests_on(north: Cast) -> None:
    served(north)
    with clock.playing(on(6, 20)):
        forecasts.refit(actor=system_actor(north.operator.id))
        body = text_of(signed_in(north, Role.OWNER).get(f"/{north.operator.slug}/figures/"))
        wicks = calling(north, Role.VIEWER).read("wick-figures").json()
    assert "By 3 readings of 1 unit: a typical unit drips" in body
    assert "from 5 failures on the curve is your own" in body
    assert wicks["is_prior"] is True
    assert wicks["failures"] == 0
    assert [row["months"] for row in wicks["ages"]] == [3, 6, 9, 12, 15, 18, 21, 24]
    assert all(row["share_low"] <= row["share"] <= row["share_high"] for row in wicks["ages"])


def test_a_crew_member_is_not_shown_figures_of_crews(north: Cast) -> None:
    crew = signed_in(north, Role.CREW_MEMBER)
    assert crew.get(f"/{north.operator.slug}/figures/").status_code == 403
    assert "Figures" not in text_of(crew.get(f"/{north.operator.slug}/"))


def test_a_span_that_makes_no_sense_is_refused(north: Cast) -> None:
    viewer = calling(north, Role.VIEWER)
    assert viewer.read("service-figures", days=2).status_code == 400
    assert viewer.read("service-figures", since=3).status_code == 400
