"""The service record as customers read it: by a link, without signing in, since the token in the link is the key."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from functools import wraps
from typing import TYPE_CHECKING, Any
from uuid import UUID

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.cache import never_cache
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_http_methods

from accounts import clock, languages, tenancy
from accounts import queries as accounts
from accounts.errors import Busy, NotFound, Refusal
from accounts.languages import LOCALES, Manner, _
from accounts.pages import reading_in
from accounts.permissions import Actor
from accounts.phrases import day, instant, month, time_of_day
from servicing.commands.links import use_link
from servicing.queries import links, planning, record
from servicing.queries.links import Reach, no_link
from servicing.queries.record import LiquidLine, ReportLine, SiteLine, VisitRecord
from servicing.rules import record_words as words
from servicing.rules.link_tokens import read_token

if TYPE_CHECKING:
    from accounts.models import Operator, Site

LOCALE_COOKIE, LOCALE_SECONDS = "record_locale", 365 * 24 * 3_600
Page = Callable[..., HttpResponse]


class RecordRequest(HttpRequest):
    """A request that ``record_page`` let through: the token that opened it, who acts by it, and what it opens."""

    token: str
    actor: Actor
    opened_for: Operator
    reach: Reach
    manner: Manner


def record_page(action: str, *methods: str) -> Callable[[Page], Page]:
    """A page of a service record, counted as this use of its link. Every link that opens nothing gets the same 404.

    No cookie says who is here, so no other site's form can make use of one: the token in the address is asked for
    instead of a token against forged forms. The page is kept nowhere and listed nowhere, and tells nobody its address.
    """

    def decorate(view: Page) -> Page:
        @csrf_exempt
        @require_http_methods(list(methods) or ["GET", "HEAD"])
        @never_cache
        @wraps(view)
        def guarded(request: Any, token: str, **kwargs: Any) -> HttpResponse:
            try:
                _open(request, token, action)
                with reading_in(request.manner):
                    answer = view(request, **kwargs)
                    answer["Content-Language"] = request.manner.locale
            except Refusal as refusal:
                answer = _refused(request, refusal)
            answer["X-Robots-Tag"] = "noindex, nofollow"
            answer["Referrer-Policy"] = "no-referrer"
            _keep_locale(request, answer)
            return answer

        return guarded

    return decorate


def _open(request: RecordRequest, token: str, action: str) -> None:
    request.actor = use_link(token=token, action=action)
    assert request.actor.id is not None, "who acts by a link is the link"
    request.token = read_token(token)
    with tenancy.reading(request.actor):
        request.opened_for = accounts.get_operator()
        request.reach = links.reach_of(request.actor.id)
    asked = request.GET.get("in") or request.COOKIES.get(LOCALE_COOKIE, "")
    locale = asked if asked in LOCALES else languages.known_locale(request.opened_for.locale)
    request.manner = Manner(locale, request.opened_for.measures)


def _refused(request: HttpRequest, refusal: Refusal) -> HttpResponse:
    with reading_in(getattr(request, "manner", languages.manner())):
        response = render(
            request, "servicing/record_refused.html", {"refusal": refusal}, status=refusal.status
        )
    if isinstance(refusal, Busy):
        response["Retry-After"] = str(refusal.retry_after_seconds)
    return response


def _keep_locale(request: HttpRequest, answer: HttpResponse) -> None:
    if (asked := request.GET.get("in", "")) in LOCALES:
        answer.set_cookie(
            LOCALE_COOKIE,
            asked,
            max_age=LOCALE_SECONDS,
            secure=settings.SESSION_COOKIE_SECURE,
            httponly=True,
            samesite="Lax",
        )


def shown(request: RecordRequest, template: str, page: dict[str, Any], *, status: int = 200) -> HttpResponse:
    """A page of the record, with what all of them say: for whom, in which language, and which others there are."""
    english = request.opened_for.locale if request.opened_for.locale in {"en-GB", "en-US"} else "en-GB"
    speaks = request.manner.language
    others = [
        (tag, LOCALES[tag].partition(" (")[0]) for tag in (english, "de-DE") if not tag.startswith(speaks)
    ]
    common = {
        "operator": request.opened_for,
        "token": request.token,
        "other_languages": others,
        "is_of_customer": request.reach.link.customer_id is not None,
        "restroom": request.reach.restroom,
    }
    return render(request, template, {**common, **page}, status=status)


# What stands on the pages


@dataclass(frozen=True, slots=True)
class DoneLine:
    """One place of a visit: where, when, what was done, and the photos of it."""

    place: str
    at: str
    done: list[str]
    photo_ids: list[UUID]


@dataclass(frozen=True, slots=True)
class VisitSection:
    day: date
    heading: str
    outcome: str
    lines: list[DoneLine]
    photo_ids: list[UUID]


def section(visit: VisitRecord, zone: str, *, in_room: bool) -> VisitSection:
    """A visit in words. Work that says nothing to a customer leaves its place with its photos, or out."""
    lines = []
    for work in visit.work:
        done = [said for kind, payload in work.events if (said := words.done(kind, payload))]
        where = words.place(work.place.restroom, work.place.station, work.place.fixture, in_room=in_room)
        if done or work.photo_ids:
            at = time_of_day(work.at.astimezone(clock.zone_of(zone)))
            lines.append(DoneLine(where, at, list(dict.fromkeys(done)), work.photo_ids))
    return VisitSection(
        visit.day,
        instant(visit.at, zone),
        words.outcome(visit.outcome, visit.reason),
        lines,
        visit.photo_ids,
    )


def report_sentence(line: ReportLine, zone: str) -> str:
    """An open report: what it is of, where, and since when."""
    kind, at = _(words.KINDS[line.kind]), instant(line.received_at, zone)
    if line.place is None:
        return _("{kind}, reported {at}.", kind=kind, at=at)
    where = words.place(line.place.restroom, line.place.station, line.place.fixture)
    return _("{kind}, reported {at}: {where}.", kind=kind, at=at, where=where)


@dataclass(frozen=True, slots=True)
class SheetLine:
    id: UUID
    said: str


@dataclass(frozen=True, slots=True)
class LiquidSection:
    name: str
    caution: str
    sheets: list[SheetLine]


def liquid_sections(lines: list[LiquidLine]) -> list[LiquidSection]:
    named = languages.cldr(languages.manner().locale).languages
    return [
        LiquidSection(
            line.name,
            line.caution,
            [
                SheetLine(
                    sheet.id,
                    _(
                        "Safety data sheet of {liquid}, {language}, {day} (PDF)",
                        liquid=line.name,
                        language=named.get(sheet.language, sheet.language),
                        day=day(sheet.revision_on),
                    ),
                )
                for sheet in line.sheets
            ],
        )
        for line in lines
    ]


def next_sentence(site: Site) -> str:
    """When somebody comes next to a site. Asked inside a scope."""
    visit = planning.next_visits([site.id]).get(site.id)
    return words.next_said(
        visit.day if visit else None,
        visit.begins_at if visit else None,
        is_planned=bool(visit and visit.is_planned),
        today=clock.today(site.zone),
    )


# The pages


@record_page("open")
def opened(request: RecordRequest) -> HttpResponse:
    """Where a link leads: to its site or restroom, or to the list of its customer's sites."""
    sites = request.reach.sites
    return _site(request, sites[0]) if len(sites) == 1 else _list(request)


def _list(request: RecordRequest) -> HttpResponse:
    sites = request.reach.sites
    with tenancy.reading(request.actor):
        lines = record.site_lines([site.id for site in sites])
        coming = planning.next_visits([site.id for site in sites])
    rows: list[tuple[SiteLine, str]] = []
    for site in sites:
        visit = coming.get(site.id)
        said = words.next_said(
            visit.day if visit else None,
            visit.begins_at if visit else None,
            is_planned=bool(visit and visit.is_planned),
            today=clock.today(site.zone),
        )
        rows.append((lines[site.id], said))
    reports = sum(line.open_reports for line, _said in rows)
    return shown(request, "servicing/record_sites.html", {"rows": rows, "open_reports": reports})


@record_page("open")
def one_site(request: RecordRequest, site_id: UUID) -> HttpResponse:
    return _site(request, request.reach.site(site_id))


def _site(request: RecordRequest, site: Site) -> HttpResponse:
    reach = request.reach
    with tenancy.reading(request.actor):
        last = record.last_visit(site.id, reach.restroom_id)
        coming = next_sentence(site)
        reports = record.open_reports(site.id, reach.restroom_id, reach.link.id)
        months = record.months_of(site.id)
        liquids = record.liquids_of(record.hanging(site.id, reach.restroom_id))
    today = clock.today(site.zone)
    page = {
        "site": site,
        "last_said": words.last_said(last.day if last else None),
        "next_said": coming,
        "reports": [report_sentence(line, site.zone) for line in reports],
        "last": section(last, site.zone, in_room=reach.restroom_id is not None) if last else None,
        "months": [(one, f"{one:%Y-%m}", one == today.replace(day=1)) for one in months],
        "liquids": liquid_sections(liquids),
    }
    return shown(request, "servicing/record_site.html", page)


def month_of(text: str) -> tuple[date, date]:
    """First day of a month "2026-06", and of the month after it; NotFound for what is none."""
    try:
        first = date.fromisoformat(f"{text}-01")
        after = date(first.year + first.month // 12, first.month % 12 + 1, 1)
    except ValueError:
        raise NotFound(no_link()) from None
    return first, after


def visits_of_month(request: RecordRequest, site: Site, text: str) -> tuple[date, list[VisitSection]]:
    first, after = month_of(text)
    restroom_id = request.reach.restroom_id
    with tenancy.reading(request.actor):
        visits = record.visits_between(site.id, first, after, restroom_id)
    return first, [section(visit, site.zone, in_room=restroom_id is not None) for visit in visits]


@record_page("open")
def one_month(request: RecordRequest, site_id: UUID, text: str) -> HttpResponse:
    site = request.reach.site(site_id)
    first, visits = visits_of_month(request, site, text)
    page = {"site": site, "month": month(first), "text": f"{first:%Y-%m}", "visits": visits}
    return shown(request, "servicing/record_month.html", page)


@record_page("photo")
def photo(request: RecordRequest, photo_id: UUID) -> HttpResponse:
    sites = [site.id for site in request.reach.sites]
    with tenancy.reading(request.actor):
        content = record.photo_of(photo_id, sites, request.reach.restroom_id)
    answer = HttpResponse(content, content_type="image/jpeg")
    answer["Content-Disposition"] = f'inline; filename="photo-{photo_id}.jpg"'
    return answer


@record_page("file")
def sheet(request: RecordRequest, sheet_id: UUID) -> HttpResponse:
    """The safety data sheet of a liquid that drips there."""
    with tenancy.reading(request.actor):
        units = [
            unit
            for site in request.reach.sites
            for unit in record.hanging(site.id, request.reach.restroom_id)
        ]
        content = record.sheet_of(sheet_id, units)
    answer = HttpResponse(content, content_type="application/pdf")
    answer["Content-Disposition"] = 'inline; filename="safety-data-sheet.pdf"'
    return answer
