"""What a customer reads by a link, and tells by it, on a phone and without an account."""

from __future__ import annotations

import re
from datetime import date, time, timedelta
from uuid import uuid4

import pytest
from pypdf import PdfReader

from accounts.commands import operators
from accounts.ids import uuid7
from fleet import commands as fleet
from servicing.commands import links as commands
from servicing.commands import office
from servicing.queries import personal, record
from servicing.rules.link_tokens import LIMITS
from tests.cast import NOON
from tests.pages.visitors import Visitor, text_of
from tests.servicing.recorded import photographed, planned, second_room, second_site, visited

DAY, HOUR = timedelta(days=1), timedelta(hours=1)


@pytest.fixture
def served(north):
    """A unit hung in May; a visit yesterday with a photo; the next planned for tomorrow; and a link to the site."""
    north.upload(north.installed(at=NOON - 40 * DAY))
    at = NOON - DAY
    north.visit = visited(
        north,
        at,
        north.event("wick.checked", north.unit, at, condition="good"),
        north.exchanged(at=at + HOUR / 6),
    )
    north.photo = photographed(north, north.visit, at, north.unit)
    planned(north, date(2026, 6, 16), time(8, 40))
    north.link, token = commands.make_link(actor=north.dispatcher, site_id=north.site.id)
    north.path = f"/r/{token}"
    north.record = f"{north.path}/{north.site.id}"
    return north


def test_the_record_says_when_somebody_was_there_and_what_was_done(served):
    answer = Visitor().get(served.path)
    text = text_of(answer)

    assert answer.status_code == 200
    assert (
        "The last visit was on Sun 14 Jun. The next visit is planned for Tue 16 Jun, between 08:00 and 10:00."
        in text
    )
    assert "What was done on Sun 14 Jun, 14:00" in text
    assert "Ground floor, 1 (urinal) 14:00 Wick checked: in order. Cartridge exchanged." in text
    assert "No report is open." in text
    assert f"{served.path}/photos/{served.photo}.jpg" in answer.content.decode()


def test_no_code_of_ours_stands_on_it_and_nothing_of_the_office(served):
    # The token of the link is drawn by chance, so that some spell a code.
    token = served.path.strip("/").split("/")[1]
    body = Visitor().get(served.path).content.decode().replace(token, "")

    for internal in (
        "S1",
        served.unit.code,
        "Crew A",
        "C280",
        "40 mL",
        f"/{served.operator.slug}/",
        "<script",
    ):
        assert internal not in body, internal
    assert "North Fixture Care" in body


def test_it_is_listed_nowhere_kept_nowhere_and_tells_no_address(served):
    answer = Visitor().get(served.path)

    assert answer["X-Robots-Tag"] == "noindex, nofollow"
    assert answer["Referrer-Policy"] == "no-referrer"
    assert "no-store" in answer["Cache-Control"]
    assert answer.cookies == {}


def test_a_link_opens_as_scanned_and_as_typed(served):
    token = served.path.removeprefix("/r/")

    for path in (f"/R/{token}", f"/r/{token.lower()}", f"/r/{token[:5]}-{token[5:]}"):
        assert "Sun 14 Jun" in text_of(Visitor().get(path)), path


def test_a_revoked_and_an_unknown_link_get_the_same_answer(served):
    commands.revoke_link(actor=served.owner, link_id=served.link.id)
    revoked = Visitor().get(served.path)
    others = [Visitor().get(path) for path in ("/r/" + "0" * 20, "/r/nothing", "/R/" + "Z" * 20)]

    assert revoked.status_code == 404
    assert "This link leads nowhere" in text_of(revoked)
    assert {(one.status_code, one.content) for one in others} == {(404, revoked.content)}
    for rest in ("", "/2026-06", "/2026-06.pdf", "/report"):
        assert Visitor().get(served.record + rest).status_code == 404
    assert Visitor().get(f"{served.path}/photos/{served.photo}.jpg").status_code == 404


def test_a_link_reaches_no_other_site(served, south):
    site, _station = second_site(served)
    absent = f"{served.path}/{uuid4()}"

    for path in (f"{served.path}/{site.id}", f"{served.path}/{south.site.id}"):
        for rest in ("", "/2026-06", "/2026-06.csv", "/report"):
            answer = Visitor().get(path + rest)
            assert (answer.status_code, answer.content) == (404, Visitor().get(absent + rest).content)


def test_a_customers_link_lists_all_sites(served):
    site, _station = second_site(served)
    office.receive_report(actor=served.owner, about="site", subject_id=site.id, kind="odour")
    _link, token = commands.make_link(actor=served.owner, customer_id=served.customer.id)
    text = text_of(Visitor().get(f"/r/{token}"))

    assert "This is the service record of 2 sites. 1 report is open." in text
    assert (
        "Marl Quay School Sun 14 Jun The next visit is planned for Tue 16 Jun, between 08:00 and 10:00."
        in text
    )
    assert "Fen House none yet No visit is planned. 1 report is open." in text
    assert "All your sites" in text_of(Visitor().get(f"/r/{token}/{site.id}"))


def test_a_customer_without_a_site_is_told_what_will_stand_there(north):
    from accounts.commands import customers

    other = customers.add_customers(
        actor=north.owner, customers=[{"code": "C2", "name": "New", "country": "DE"}]
    )[0]
    _link, token = commands.make_link(actor=north.owner, customer_id=other.id)

    assert "Each of your sites will stand here" in text_of(Visitor().get(f"/r/{token}"))


def test_a_site_before_its_first_visit(north):
    _link, token = commands.make_link(actor=north.owner, site_id=north.site.id)
    text = text_of(Visitor().get(f"/r/{token}"))

    assert "No visit has been recorded yet." in text
    assert "After the first visit it stands here what was done" in text


def test_photos_and_safety_sheets_open_by_the_same_link_alone(served, south):
    sheet = fleet.add_safety_sheet(
        actor=served.owner,
        liquid_id=served.cartridge.liquid_id,
        revision_on=date(2025, 3, 1),
        language="en",
        content=b"%PDF-1.7 sheet %%EOF",
    )
    _link, rivals = commands.make_link(actor=south.owner, site_id=south.site.id)
    photo, pdf = f"/photos/{served.photo}.jpg", f"/sheets/{sheet.id}.pdf"

    shown = Visitor().get(served.path + photo)
    assert (shown["Content-Type"], shown.content[:2]) == ("image/jpeg", b"\xff\xd8")
    assert Visitor().get(served.path + pdf).content == b"%PDF-1.7 sheet %%EOF"
    assert "Safety data sheet of Scale remover, English, 1 Mar 2025 (PDF)" in re.sub(
        "Sat ", "", text_of(Visitor().get(served.path))
    )
    for path in (f"/r/{rivals}{photo}", f"/r/{rivals}{pdf}"):
        assert Visitor().get(path).status_code == 404


def test_a_month_as_page_pdf_and_csv_says_the_same(served):
    page = text_of(Visitor().get(f"{served.record}/2026-06"))
    pdf = Visitor().get(f"{served.record}/2026-06.pdf")
    csv = Visitor().get(f"{served.record}/2026-06.csv")

    assert "June 2026: 1 visit." in page
    assert pdf["Content-Type"] == "application/pdf"
    import io

    paper = " ".join(one.extract_text() for one in PdfReader(io.BytesIO(pdf.content)).pages)
    rows = [line.split(",") for line in csv.content.decode().split("\r\n")]
    assert rows[0] == ["visit_on", "visit", "outcome", "place", "at", "done", "photos"]
    assert csv.content.decode().split("\r\n")[1] == (
        '2026-06-14,"Sun 14 Jun, 14:00",The visit was made.,"Ground floor, 1 (urinal)",14:00,'
        "Wick checked: in order. Cartridge exchanged.,1"
    )
    for said in (
        "Sun 14 Jun, 14:00",
        "Wick checked: in order. Cartridge exchanged.",
        "Ground floor, 1 (urinal)",
    ):
        assert said in page
        assert said in " ".join(paper.split())
    assert Visitor().get(f"{served.record}/2026-06.pdf").content == pdf.content


@pytest.mark.parametrize("odd", ["2026-13", "june", "2026-6", "9999-12", "0000-01", "2026-06.exe"])
def test_what_is_no_month_is_not_there(served, odd):
    assert Visitor().get(f"{served.record}/{odd}").status_code == 404


def test_a_month_without_a_visit_is_empty_and_says_so(served):
    assert "There was no visit in this month." in text_of(Visitor().get(f"{served.record}/2025-01"))
    assert Visitor().get(f"{served.record}/2025-01.pdf").content.startswith(b"%PDF-")


def test_it_speaks_the_operators_language_until_the_reader_asks_for_another(served):
    operators.change_operator(
        actor=served.owner, name="N", legal_name="Nord Pflege", locale="de-DE", measures="metric"
    )
    visitor = Visitor()

    assert '<html lang="de-DE">' in visitor.get(served.path).content.decode()
    answer = visitor.get(served.path + "?in=en-GB")
    assert '<html lang="en-GB">' in answer.content.decode()
    assert answer.cookies["record_locale"]["httponly"]
    # The reader's choice is kept, for the next page too.
    assert '<html lang="en-GB">' in visitor.get(f"{served.record}/2026-06").content.decode()
    assert '<html lang="de-DE">' in Visitor().get(served.path + "?in=xx").content.decode()


def test_too_many_looks_are_put_off_with_a_word(served):
    visitor = Visitor()
    for _ in range(LIMITS["open"].most):
        assert visitor.get(served.path).status_code == 200
    answer = visitor.get(served.path)

    assert (answer.status_code, answer["Retry-After"]) == (429, "60")
    assert "used very often" in text_of(answer)


# Reports


def form_of(visitor, path):
    body = visitor.get(path).content.decode()
    return re.search(r'name="report" value="([0-9a-f-]{36})"', body)[1]


def told(cast):
    with cast.reading():
        lines = record.open_reports(cast.site.id)
        texts = personal.texts_of_reports([line.event_id for line in lines])
        return [
            (
                line.kind,
                line.place.station if line.place else "",
                *((t.who, t.said) if (t := texts.get(line.event_id)) else ()),
            )
            for line in lines
        ]


def test_a_smell_is_told_in_two_steps_and_recorded_once(served):
    visitor, path = Visitor(), f"{served.record}/report"
    assert "A smell A leak A unit that is empty Damage A worry about a chemical" in text_of(visitor.get(path))
    report = form_of(visitor, f"{path}?kind=odour")
    values = {
        "kind": "odour",
        "report": report,
        "where": str(served.unit.id),
        "said": "Since Monday",
        "who": "Ada",
    }

    for _ in range(2):
        answer = visitor.post(path, values)
        assert answer.status_code == 302
    text = text_of(visitor.get(answer["Location"]))

    assert told(served) == [("odour", "1", "Ada", "Since Monday")]
    assert "Your report is recorded, Mon 15 Jun, 14:00: A smell." in text
    assert "The next visit is planned for Tue 16 Jun" in text
    shown = text_of(visitor.get(served.path))
    assert "1 report is open" in shown
    assert "A smell, reported Mon 15 Jun, 14:00: Ground floor, 1 (urinal)." in shown
    assert "Ada" not in shown
    assert "Since Monday" not in shown


@pytest.mark.parametrize("kind", ["leak", "chemical"])
def test_a_leak_or_a_chemical_leads_to_what_to_do_first(served, kind):
    path = f"{served.record}/report?kind={kind}"
    first = Visitor().get(path)

    assert "leave the room, keep others out" in text_of(first)
    assert "rinse at once with much water" in text_of(first)
    assert "<form" not in first.content.decode()
    assert f"kind={kind}&amp;read=1" in first.content.decode()
    assert "<form" in Visitor().get(f"{path}&read=1").content.decode()
    # The others begin with the form.
    assert "<form" in Visitor().get(f"{served.record}/report?kind=damage").content.decode()


def test_a_form_that_can_not_be_taken_comes_back_as_it_was(served):
    visitor, path = Visitor(), f"{served.record}/report"
    report = form_of(visitor, f"{path}?kind=damage")
    answer = visitor.post(path, {"kind": "damage", "report": report, "said": "x" * 301, "who": "Ada"})

    assert answer.status_code == 422
    assert 'class="error"' in answer.content.decode()
    assert 'value="Ada"' in answer.content.decode()
    assert visitor.post(path, {"kind": "damage", "report": report, "where": str(uuid7())}).status_code == 422
    assert told(served) == []


def test_a_restrooms_link_says_which_room_it_was(served):
    room_id, _station = second_room(served)
    _link, token = commands.make_link(actor=served.owner, restroom_id=room_id)
    visitor, path = Visitor(), f"/r/{token}/{served.site.id}/report"
    assert "First floor" in text_of(visitor.get(f"/r/{token}"))
    report = form_of(visitor, f"{path}?kind=empty")
    # A unit of another room can't be chosen by this link.
    assert (
        visitor.post(path, {"kind": "empty", "report": report, "where": str(served.unit.id)}).status_code
        == 422
    )

    visitor.post(path, {"kind": "empty", "report": report})

    assert told(served) == [("empty", "", "", "First floor")]
    assert "A unit that is empty" in text_of(visitor.get(f"/r/{token}"))


def test_the_sixth_report_of_an_hour_is_put_off_and_names_help(served):
    visitor, path = Visitor(), f"{served.record}/report"
    for _ in range(LIMITS["report"].most):
        assert visitor.post(path, {"kind": "odour", "report": str(uuid4())}).status_code == 302
    answer = visitor.post(path, {"kind": "odour", "report": str(uuid4())})

    assert answer.status_code == 429
    assert int(answer["Retry-After"]) > 0
    assert "If somebody is in danger, call for help now" in text_of(answer)
    assert len(told(served)) == 5


def test_what_was_told_is_shown_to_its_own_link_alone(served, south):
    event = office.receive_report(actor=served.owner, about="site", subject_id=served.site.id, kind="odour")

    assert Visitor().get(f"{served.record}/report/{event}").status_code == 404
    assert Visitor().get(f"{served.record}/report/{uuid4()}").status_code == 404


def test_a_report_by_a_link_is_the_links_in_the_log(served):
    visitor = Visitor()
    visitor.post(f"{served.record}/report", {"kind": "odour", "report": str(uuid4())})

    with served.reading():
        line = record.open_reports(served.site.id)[0]
        row = record.log.events_by_id([line.event_id])[0]
    assert (row.actor_kind, row.actor_id, row.member_id) == ("client", served.link.id, None)
