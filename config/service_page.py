"""``/service/``: how the service stands, for the people who run it. Counts and instants only, of nobody's data."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.http import urlencode
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from accounts.errors import Forbidden, NotFound
from accounts.languages import N_, _
from accounts.phrases import number
from accounts.queries.second_factor import PROVEN
from config import service as found
from config.service import OfOperator, State
from servicing.queries.rebuilds import BROKEN, CANCELLED, DONE, RUNNING

REFRESH_SECONDS = 15
# From here on somebody should look: each of these is done within seconds, or each minute, where all is well.
LATE_SECONDS = {"due": 300, "sweep": 300, "sign": 180, "fold": 60}
MOST_SHOWN = 50
_REBUILD = {
    RUNNING: N_("is going on"),
    BROKEN: N_("broke off"),
    CANCELLED: N_("was cancelled"),
    DONE: N_("is done"),
}


@dataclass(frozen=True, slots=True)
class Trouble:
    """One thing to look at, as a sentence, and the part of the page where it stands."""

    said: str
    part: str


@never_cache
@require_safe
def service(request: HttpRequest) -> HttpResponse:
    """Signed out: to the sign-in. Nobody of the service: 404, as if nothing were here. Without a second factor: 403."""
    person: Any = request.user
    if not person.is_authenticated:
        return redirect(f"{reverse('sign-in')}?{urlencode({'next': request.path})}")
    if not person.is_support:
        raise NotFound(
            _("There is no page at this address, or you are not a member of the operator it belongs to.")
        )
    if PROVEN not in request.session:
        raise Forbidden(
            _("A person of the service looks only with a second factor. Sign out, and in again with it.")
        )
    state = found.state()
    troubles = troubles_of(state)
    operators = sorted(state.operators, key=lambda one: (-_weight(one, state.at), one.slug))
    return render(
        request,
        "service.html",
        {
            "state": state,
            "troubles": troubles,
            "refresh": REFRESH_SECONDS,
            "operators": [_row(one, state.at) for one in operators[:MOST_SHOWN]],
            "more": max(len(operators) - MOST_SHOWN, 0),
            "kinds": [(one, ago(state.at, one.due_since)) for one in state.kinds],
            "signs": [
                (one, seconds(one.age_seconds), one.age_seconds > LATE_SECONDS["sign"]) for one in state.signs
            ],
            "work": [
                (one.slug, work, ago(state.at, work.asked_at)) for one in operators for work in one.work
            ],
            "rebuild_word": _(_REBUILD[state.rebuild.state]) if state.rebuild else "",
            "versions": {**found.versions(), **_servers(state)},
            "zone": settings.TIME_ZONE,
        },
    )


def troubles_of(state: State) -> list[Trouble]:
    """What somebody of the service should look at, the gravest first."""
    if state.server is None:
        return [Trouble(_("The database does not answer. Nothing can be stored."), "parts")]
    said = []
    if state.queues is None:
        said.append(
            Trouble(_("Redis does not answer. What is owed waits in the database until it does."), "queues")
        )
    said += [
        Trouble(_("{part} did nothing for {time}.", part=one.name, time=seconds(one.age_seconds)), "parts")
        for one in state.signs
        if one.age_seconds > LATE_SECONDS["sign"]
    ]
    if not state.signs:
        said.append(Trouble(_("No part has given a sign of life yet. Start beat and the workers."), "parts"))
    if state.rebuild is not None and state.rebuild.state == BROKEN:
        said.append(
            Trouble(
                _(
                    "The rebuild of the derived tables broke off; they are as they were. Go on with manage.py rebuild --resume."
                ),
                "rebuild",
            )
        )
    waiting = [one for one in state.kinds if _age(state.at, one.due_since) > LATE_SECONDS["due"]]
    said += [
        Trouble(
            _(
                "{kind} is due for {time} and no worker has it.",
                kind=one.kind,
                time=ago(state.at, one.due_since),
            ),
            "queues",
        )
        for one in waiting
    ]
    quarantined = sum(one.quarantined for one in state.kinds)
    if quarantined:
        said.append(
            Trouble(
                _(
                    "Jobs in quarantine: {n}. Every attempt failed; the log has the reason, and the operator's own page tries "
                    "again.",
                    n=number(quarantined),
                ),
                "queues",
            )
        )
    for sentence, has in (
        (N_("Operators whose events are not folded within a minute: {n}."), _is_behind),
        (N_("Operators not swept for five minutes: {n}."), _is_unswept(state.at)),
    ):
        behind = [one for one in state.operators if has(one)]
        if behind:
            said.append(Trouble(_(sentence, n=number(len(behind))), "operators"))
    return said


def _is_behind(one: OfOperator) -> bool:
    return any(
        each.events and each.seconds > LATE_SECONDS["fold"]
        for each in one.behind
        if each.projection != "seals"
    )


def _is_unswept(at: datetime) -> Any:
    return lambda one: one.swept.at is not None and _age(at, one.swept.at) > LATE_SECONDS["sweep"]


def _weight(one: OfOperator, at: datetime) -> float:
    """Who is worst off stands first."""
    return (
        one.quarantined * 1_000_000
        + one.events_behind * 1_000
        + _age(at, one.due_since)
        + _age(at, one.swept.at)
    )


def _row(one: OfOperator, at: datetime) -> dict[str, Any]:
    unsealed = next((each.events for each in one.behind if each.projection == "seals"), 0)
    return {
        "slug": one.slug,
        "name": one.swept.name,
        "behind": one.events_behind,
        "unsealed": unsealed,
        "due": one.due,
        "oldest": ago(at, one.due_since),
        "quarantined": one.quarantined,
        "swept": ago(at, one.swept.at),
        "untold": one.untold.changes,
        "is_late": bool(one.quarantined)
        or _is_behind(one)
        or _is_unswept(at)(one)
        or _age(at, one.due_since) > LATE_SECONDS["due"],
    }


def _servers(state: State) -> dict[str, str]:
    told = {}
    if state.server is not None:
        told["PostgreSQL"] = state.server.version
    if state.queues is not None:
        told["Redis"] = state.queues.version
    return told


def _age(at: datetime, since: datetime | None) -> float:
    return (at - since).total_seconds() if since else 0.0


def ago(at: datetime, since: datetime | None) -> str:
    """How long something is since, in the largest unit that says enough; "" for nothing."""
    return seconds(_age(at, since)) if since else ""


def seconds(count: float) -> str:
    """A time as "12 s", "5 min", "3 h" or "2 d"."""
    for size, unit in ((172_800, "d"), (7_200, "h"), (120, "min")):
        if count >= size:
            return f"{number(count // {'d': 86_400, 'h': 3_600, 'min': 60}[unit])} {unit}"
    return f"{number(max(count, 0))} s"
