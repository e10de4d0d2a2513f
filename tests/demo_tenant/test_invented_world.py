"""The invented world by itself: nothing here touches a database."""

import json
import math
from collections import Counter, defaultdict
from datetime import date, datetime, timedelta
from decimal import Decimal

import pytest

from accounts.ids import is_label_code
from demo_tenant.beats import bad_lot_of
from demo_tenant.operators import OPERATORS
from demo_tenant.rounds import due_days, pauses_of
from demo_tenant.setting import Setting
from demo_tenant.site_life import CALL_OUT_MINUTES
from demo_tenant.story import digest_of, tell, tell_all
from demo_tenant.streams import Stream, demo_id
from demo_tenant.world import MONTH_DAYS, TrueUnit, draw_wick_life_days
from servicing.events.reading import PAYLOADS, read_payload
from servicing.events.types import EventType, Subject

AS_OF = date(2026, 11, 24)


def sent(stories):
    """Every event once, by its id, with the first time it was received."""
    first = {}
    for story in stories:
        for upload in story.uploads:
            for event in upload.events:
                first.setdefault(event["id"], (upload.received_at, event))
    return first


def entered(stories):
    return [action.draft for story in stories for action in story.office]


def test_the_same_seed_tells_the_same_story_and_another_seed_another(tiny_stories):
    assert digest_of(tell_all("tiny", AS_OF)) == digest_of(tiny_stories)
    assert digest_of(tell_all("tiny", AS_OF, "8")) != digest_of(tiny_stories)
    assert digest_of(tell_all("tiny", AS_OF - timedelta(days=1))) != digest_of(tiny_stories)


def test_one_operator_is_told_the_same_alone_and_beside_the_others(tiny_stories, tiny_quarrow):
    assert digest_of([tiny_quarrow]) == digest_of([tiny_stories[2]])
    ids = [{event["id"] for _, event in sent([story]).values()} for story in tiny_stories]
    assert ids[0].isdisjoint(ids[1])
    assert ids[0].isdisjoint(ids[2])
    assert ids[1].isdisjoint(ids[2])


def test_the_quick_world_has_the_size_it_is_meant_to_have(quick_stories):
    # Aims of our own trial generator, within 10 %: 125 sites ever, 870 units at the end, 2,048 visits, 35,031 events.
    kinds = Counter(event["type"] for _, event in sent(quick_stories).values())
    units = kinds["unit.installed"] - kinds["unit.withdrawn"]
    visits = kinds["visit.made"] + kinds["visit.not_admitted"] + kinds["visit.called_off"]
    assert sum(len(story.master.sites) for story in quick_stories) == pytest.approx(125, rel=0.1)
    assert units == pytest.approx(870, rel=0.1)
    assert visits == pytest.approx(2048, rel=0.1)
    assert kinds.total() + len(entered(quick_stories)) == pytest.approx(35_031, rel=0.1)
    assert 0.03 < kinds["visit.not_admitted"] / visits < 0.055


def test_the_tiny_world_has_four_sites_an_operator(tiny_stories):
    assert [len(story.master.sites) for story in tiny_stories] == [4, 4, 4]
    assert 250 < len(sent(tiny_stories)) < 600


def test_every_event_reads_as_its_type_says(quick_stories):
    for _, event in sent(quick_stories).values():
        kind = EventType(event["type"])
        read_payload(kind, event["schema_version"], event["payload"])
        assert Subject(event["subject"]["kind"]) in PAYLOADS[kind].SUBJECTS
    for draft in entered(quick_stories):
        read_payload(EventType(draft["type"]), 1, draft["payload"])


def test_nothing_hidden_is_recorded(tiny_stories):
    hidden = {name for name in TrueUnit.__slots__ if name != "at"} | {"truth", "seed", "occupants"}
    recorded = json.dumps([event for _, event in sent(tiny_stories).values()] + entered(tiny_stories))
    named = set()
    for event in json.loads(recorded):
        named |= set(event) | set(event["payload"]) | set(event["subject"])
    assert "cartridge_left_ml" in named
    assert not named & hidden


def test_eyes_read_volumes_in_steps(quick_stories):
    exchanged = [
        e["payload"]
        for _, e in sent(quick_stories).values()
        if e["type"] == "cartridge.exchanged" and "corrects" not in e
    ]
    read = [payload for payload in exchanged if "cartridge_left_ml" in payload]
    assert 0.03 < 1 - len(read) / len(exchanged) < 0.1
    assert all(payload["cartridge_left_ml"] % 10 == 0 for payload in read)
    assert all(payload["reservoir_before_ml"] % 5 == 0 for payload in read)
    assert all(0 <= payload["cartridge_left_ml"] <= 280 for payload in read)


def test_a_phone_numbers_its_events_once_and_in_the_order_it_made_them(quick_stories):
    numbered = defaultdict(dict)
    for story in quick_stories:
        for upload in story.uploads:
            for sequence, record in upload.lines:
                assert numbered[upload.device_id].setdefault(sequence, record.id) == record.id
    assert all(len(set(ids.values())) == len(ids) for ids in numbered.values())
    assert len(numbered) == sum(len(story.master.crews) for story in quick_stories)


def test_uploads_arrive_late_twice_and_out_of_order(quick_stories):
    uploads = [upload for story in quick_stories for upload in story.uploads]
    times = Counter(tuple(record.id for _, record in upload.lines) for upload in uploads)
    late = [u for u in uploads if u.received_at - max(r.made_at for _, r in u.lines) > timedelta(hours=20)]
    shuffled = [u for u in uploads if [s for s, _ in u.lines] != sorted(s for s, _ in u.lines)]
    assert 0.015 < sum(n > 1 for n in times.values()) / len(uploads) < 0.05
    assert 0.015 < len(late) / len(uploads) < 0.06
    assert 0.02 < len(shuffled) / len(uploads) < 0.09
    assert all(u.received_at >= max(r.made_at for _, r in u.lines) for u in uploads)
    for story in quick_stories:
        received = [upload.received_at for upload in story.uploads]
        assert received == sorted(received)
        assert received[-1] < story.setting.span.ends_at


def test_a_phone_that_was_offline_for_days_sends_about_140_events_at_once(quick_stories):
    by_minute = defaultdict(dict)
    for upload in quick_stories[2].uploads:
        by_minute[upload.device_id, upload.received_at.replace(second=0)] |= {
            r.id: r for _, r in upload.lines
        }
    of_some_days = [
        len(records)
        for (_, minute), records in by_minute.items()
        if minute.date() > AS_OF - timedelta(days=40)
        and len({record.made_at.date() for record in records.values()}) > 1
    ]
    assert 130 <= max(of_some_days) <= 150


def test_wrong_wick_changes_are_countered_and_some_only_after_their_month(quick_stories):
    events = {e["id"]: e for _, e in sent(quick_stories).values()}
    counters = [draft for draft in entered(quick_stories) if draft["type"] == "event.countered"]
    undone = [(events[draft["corrects"]], draft) for draft in counters]
    assert {wrong["type"] for wrong, _ in undone} == {"wick.changed"}
    assert sum(wrong["occurred_at"][:7] < draft["occurred_at"][:7] for wrong, draft in undone) >= 3
    assert all(wrong["subject"] == draft["subject"] for wrong, draft in undone)


def test_a_misread_level_is_replaced_by_the_same_exchange_read_right(quick_stories):
    events = {e["id"]: e for _, e in sent(quick_stories).values()}
    # What a fast clock made is written again in the same words; everything else that is corrected was misread.
    corrections = [event for event in events.values() if "corrects" in event]
    right = [e for e in corrections if e["payload"] != events[e["corrects"]]["payload"]]
    assert right
    for event in right:
        wrong = events[event["corrects"]]
        assert event["type"] == wrong["type"] == "cartridge.exchanged"
        assert event["occurred_at"] == wrong["occurred_at"]
        assert event["payload"]["cartridge_left_ml"] < wrong["payload"]["cartridge_left_ml"]


def test_every_label_has_a_valid_code_of_its_own(quick_stories):
    codes = [unit.code for story in quick_stories for unit in story.units]
    assert all(is_label_code(code) for code in codes)
    assert len(set(codes)) == len(codes)


def test_every_event_names_things_its_operator_has(quick_stories):
    for story in quick_stories:
        units = {str(unit.id) for unit in story.units}
        sites = {str(site.id) for site in story.master.sites}
        stations = {str(s.id) for site in story.master.sites for s in site.stations + site.spare_stations}
        members = {str(member.id) for member in story.master.members}
        for _, event in sent([story]).values():
            assert event["subject"]["kind"] == "visit" or event["subject"]["id"] in units | sites
            assert event["payload"].get("site_id", next(iter(sites))) in sites
            assert event["payload"].get("station_id", next(iter(stations))) in stations
            assert event["member"] in members


def test_a_unit_begins_with_its_installation_and_ends_with_its_withdrawal(quick_stories):
    history = defaultdict(list)
    for _, event in sent(quick_stories).values():
        if event["subject"]["kind"] == "unit" and "corrects" not in event:
            history[event["subject"]["id"]].append((event["occurred_at"], event["type"]))
    # Offsets differ by operator only, so the texts of one unit sort as its instants do.
    ordered = [[kind for _, kind in sorted(events)] for events in history.values()]
    whole = [kinds for kinds in ordered if "unit.installed" in kinds]
    assert len(whole) / len(ordered) > 0.99
    assert all(kinds[0] == "unit.installed" and kinds.count("unit.installed") == 1 for kinds in whole)
    assert all("unit.withdrawn" not in kinds[:-1] for kinds in whole)


def test_closed_schools_are_announced_before_and_not_visited(quick_stories):
    ostrel = quick_stories[0]
    school = next(site for site in ostrel.master.sites if site.kind == "school")
    drafts = [
        d
        for d in entered([ostrel])
        if d["subject"]["id"] == str(school.id) and d["type"] == "standstill.began"
    ]
    summer = next(d for d in drafts if d["payload"]["starts_on"] == "2026-06-15")
    assert summer["payload"] == {"starts_on": "2026-06-15", "ends_on": "2026-08-20", "billing": "none"}
    assert summer["occurred_at"] < "2026-06-15"
    visits = [
        event["occurred_at"][:10]
        for _, event in sent([ostrel]).values()
        if event["type"] == "visit.made"
        and event["payload"]["site_id"] == str(school.id)
        and event["payload"]["minutes"] != CALL_OUT_MINUTES
    ]
    assert not [day for day in visits if "2026-06-15" <= day < "2026-08-13"]
    assert [day for day in visits if "2026-08-13" <= day <= "2026-08-28"]


def test_due_days_lapse_in_a_standstill_and_its_last_day_is_one(quick_stories):
    story = quick_stories[0]
    school = next(site for site in story.master.sites if site.kind == "school")
    pauses = pauses_of(school, story.setting)
    days = list(due_days(school, pauses, AS_OF))
    assert days == sorted(days)
    assert date(2026, 8, 20) in days
    assert not [day for day in days if date(2026, 6, 15) <= day < date(2026, 8, 20)]


@pytest.mark.parametrize(
    ("plan", "mean_months", "longer_than_a_year"),
    [(OPERATORS[0], 17.0, 0.79), (OPERATORS[1], 19.7, 0.87), (OPERATORS[2], 13.9, 0.64)],
    ids=lambda value: getattr(value, "slug", None),
)
def test_wicks_live_as_long_as_the_weibull_distribution_says(plan, mean_months, longer_than_a_year):
    # Weibull distribution: mean = scale Gamma(1 + 1/shape), P(T > t) = exp(-(t/scale)^shape); NIST/SEMATECH e-Handbook
    # of Statistical Methods, section 8.1.6.2 (from memory). The rounded figures are those of the world's plan.
    shape, scale = plan.wick_shape, plan.wick_scale_months
    mean = scale * math.gamma(1 + 1 / shape)
    survival = math.exp(-((12 / scale) ** shape))
    assert mean == pytest.approx(mean_months, abs=0.05)
    assert survival == pytest.approx(longer_than_a_year, abs=0.005)
    lives = [draw_wick_life_days(plan, Stream("7", plan.slug, "life", n)) / MONTH_DAYS for n in range(4_000)]
    assert sum(lives) / len(lives) == pytest.approx(mean, rel=0.02)
    assert sum(life > 12 for life in lives) / len(lives) == pytest.approx(survival, abs=0.025)
    old = [
        draw_wick_life_days(plan, Stream("7", plan.slug, "old", n), 365.25) / MONTH_DAYS for n in range(4_000)
    ]
    assert min(old) >= 12
    beyond = math.exp(-((18 / scale) ** shape)) / survival
    assert sum(life > 18 for life in old) / len(old) == pytest.approx(beyond, abs=0.025)


def test_normal_draws_have_the_moments_of_the_standard_normal():
    # Mean 0, variance 1 and P(|z| < 1.96) = 0.95, any table of the normal distribution.
    stream = Stream("7", "any", "normal", 0)
    draws = [stream.normal() for _ in range(20_000)]
    assert sum(draws) / len(draws) == pytest.approx(0, abs=0.03)
    assert sum(z * z for z in draws) / len(draws) == pytest.approx(1, abs=0.04)
    assert sum(abs(z) < 1.96 for z in draws) / len(draws) == pytest.approx(0.95, abs=0.006)


def test_a_left_alone_unit_loses_what_its_dose_says(tiny_quarrow):
    setting: Setting = tiny_quarrow.setting
    start = setting.span.ends_at.replace(month=4, day=1)
    unit = TrueUnit(setting.plan, "office", Stream("7", "x", "truth", 0), start, 0.0)
    unit.dose = 8.0
    unit.plug_at = unit.leak_at = unit.lost_at = unit.wick_ends_at = start + timedelta(days=900)
    unit.advance(start + timedelta(days=10))
    # April is the season's zero, so ten days at 8 mL a day leave 200 of 280 mL.
    assert unit.total_ml == pytest.approx(200)
    unit.advance(start + timedelta(days=29))
    unit.exchange(wiped=True)
    assert unit.total_ml == pytest.approx(280)


def test_ids_and_people_are_invented_and_stable(tiny_quarrow):
    assert demo_id("7", "quarrow-basin", "site", 0) == tiny_quarrow.master.sites[0].id
    assert {member.role for member in tiny_quarrow.master.members} == {
        "owner", "dispatcher", "bookkeeper", "viewer", "crew_member", "network",
    }  # fmt: skip
    assert all(member.email.endswith(".example") for member in tiny_quarrow.master.members)
    assert all(member.phone.startswith("555-01") for member in tiny_quarrow.master.members)
    assert all(isinstance(price.amount, Decimal) for price in tiny_quarrow.master.prices)


def test_an_agreement_that_ends_takes_its_units_down(quick_stories):
    story = next(s for s in quick_stories if any(e.ends_on <= AS_OF - timedelta(days=5) for e in s.endings))
    ended = {e.agreement_id for e in story.endings if e.ends_on <= AS_OF - timedelta(days=5)}
    stations = {
        str(station.id)
        for site in story.master.sites
        if site.agreement.id in ended
        for station in site.stations + site.spare_stations
    }
    events = [event for _, event in sent([story]).values()]
    fitted = {e["subject"]["id"] for e in events if e["payload"].get("station_id") in stations}
    withdrawn = {e["subject"]["id"] for e in events if e["type"] == "unit.withdrawn"}
    assert fitted
    assert fitted <= withdrawn


def test_a_story_alone_can_be_told_for_another_day():
    other = tell(OPERATORS[0], "tiny", date(2026, 3, 31))
    assert other.setting.span.first_day == date(2025, 12, 1)
    assert other.uploads[-1].received_at.date() <= date(2026, 3, 31)


def test_what_a_phone_with_a_fast_clock_made_is_replaced_the_next_day_but_for_one_visit(quick_stories):
    ostrel = quick_stories[0]
    received = sent([ostrel])
    ahead = {
        event["id"]: event
        for at, event in received.values()
        if datetime.fromisoformat(event["occurred_at"]) > at + timedelta(minutes=10)
    }
    replaced = {event["corrects"]: event for _, event in received.values() if event.get("corrects") in ahead}
    waiting = [event for event_id, event in ahead.items() if event_id not in replaced]
    assert len(ahead) > len(replaced) > 5
    visits = {e["subject"]["id"] if e["type"].startswith("visit.") else e["visit"] for e in waiting}
    assert len(visits) == 1
    assert {e["payload"] == ahead[event_id]["payload"] for event_id, e in replaced.items()} == {True}
    assert {received[e["id"]][0] >= datetime.fromisoformat(e["occurred_at"]) for e in replaced.values()} == {
        True
    }


@pytest.mark.parametrize("stories", ["quick_stories", "tiny_stories"])
def test_bleach_at_a_restaurant_keeps_the_acid_out_until_it_is_gone(stories, request):
    saltmere = request.getfixturevalue(stories)[1]
    site = next(site for site in saltmere.master.sites if site.uses_bleach)
    acid_places = {str(station.id) for station in site.stations if station.takes_acid}
    checks = defaultdict(list)
    hung = {}
    for _, event in sent([saltmere]).values():
        station = event["payload"].get("station_id")
        if event["type"] == "placement.checked" and event["subject"]["id"] == str(site.id):
            checks[station].append((event["occurred_at"], event["payload"]["outcome"]))
        elif event["type"] == "unit.installed" and station in acid_places:
            hung[station] = min(event["occurred_at"], hung.get(station, event["occurred_at"]))
    assert acid_places
    assert set(checks) == acid_places == set(hung)
    assert all([outcome for _, outcome in sorted(c)] == ["breaks", "meets"] for c in checks.values())
    assert all(sorted(checks[station])[1][0] <= at for station, at in hung.items())


def test_the_summer_crew_works_in_its_months_only(quick_stories):
    saltmere = quick_stories[1]
    summer = next(crew for crew in saltmere.master.crews if crew.only_months)
    months = {
        r.occurred_at.month for u in saltmere.uploads if u.device_id == summer.device_id for _, r in u.lines
    }
    assert months == {6, 7, 8, 9}


def test_quarrows_schools_are_opened_again_within_days_of_their_restart(quick_stories):
    quarrow = quick_stories[2]
    schools = {str(site.id) for site in quarrow.master.sites if site.kind == "school"}
    opened = {
        event["payload"]["site_id"]
        for _, event in sent([quarrow]).values()
        if event["type"] == "visit.made" and "2026-08-12" <= event["occurred_at"][:10] <= "2026-08-28"
    }
    assert len(schools & opened) > 0.8 * len(schools)


def test_no_van_moves_in_ostrel_on_the_three_days_of_snow(quick_stories):
    called_off = defaultdict(set)
    for _, event in sent([quick_stories[0]]).values():
        if event["type"] == "visit.called_off":
            called_off[event["payload"]["reason"]].add(event["occurred_at"][:10])
        elif event["type"] == "visit.made":
            called_off["made"].add(event["occurred_at"][:10])
    assert set(called_off) == {"weather", "made"}
    assert called_off["weather"] <= {"2026-01-12", "2026-01-13", "2026-01-14"}
    assert not called_off["weather"] & called_off["made"]


def test_the_bad_lot_leaks_in_one_town_only(quick_stories):
    quarrow = quick_stories[2]
    lots = {
        event["payload"]["lot"]
        for _, event in sent([quarrow]).values()
        if event["type"] == "cartridge.exchanged" and event["payload"]["lot"].endswith("-9")
    }
    assert lots == {bad_lot_of(quarrow.setting)}
