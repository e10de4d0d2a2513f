"""The page from which an owner takes everything along."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import render

from accounts import clock
from accounts.commands import exporting
from accounts.errors import Refusal
from accounts.pages.confirming import TO_ACT
from accounts.pages.door import OperatorRequest, operator_page
from accounts.permissions import Permission
from config.exporting import write_everything
from config.exporting.archive import Out
from config.exporting.growing import Growing


@operator_page(Permission.EVERYTHING_EXPORT, "GET", "HEAD", "POST", recent=TO_ACT)
def everything(request: OperatorRequest) -> HttpResponse:
    """What the file holds, and the button that makes it; the answer to that is the file."""
    if request.method != "POST":
        return render(request, "accounts/everything.html")
    actor = request.actor

    def write(out: Out, begun: Callable[[], None]) -> None:
        write_everything(actor, out, begun)

    exporting.note_export(actor=actor)
    try:
        growing = Growing(write)
    except Refusal as refusal:
        return render(request, "accounts/everything.html", {"refusal": refusal.detail}, status=refusal.status)
    answer = StreamingHttpResponse(growing, content_type="application/zip")
    day = clock.today(request.operator.zone)
    answer["Content-Disposition"] = f'attachment; filename="{request.operator.slug}-{day}.zip"'
    return answer  # type: ignore[return-value]
