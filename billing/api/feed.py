"""The accounting feed: whatever changed after a token, in the order of the commits, each thing as it stands."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any
from urllib.parse import quote

from django.urls import reverse
from drf_spectacular.utils import OpenApiParameter, extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from accounts.doors import OperatorView, version_tag
from accounts.errors import BadInput, Gone, Problem
from accounts.languages import _
from accounts.permissions import Permission
from billing.api.feed_objects import ACCOUNTING_CHANGES
from billing.api.forms import PlainJson
from billing.api.ledger import SYSTEM_ASKED
from billing.queries.feed.changes import Change, History, changes_after, history, one_moment
from billing.queries.feed.objects import objects_of
from billing.rules.feed_tokens import TOKEN_LENGTH, TokenWriter, UnreadableToken, read_token

MOST_CHANGES = 500
USUAL_CHANGES = 100
# What a reader must be allowed to see of each kind; the feed leaves out the others.
READ_BY = {
    "customer": Permission.CUSTOMERS_READ,
    "invoice": Permission.INVOICES_READ,
    "credit_note": Permission.INVOICES_READ,
    "opening": Permission.INVOICES_READ,
    "journal_entry": Permission.JOURNAL_READ,
    "payment": Permission.PAYMENTS_READ,
    "refund": Permission.PAYMENTS_READ,
}
_LISTS = {"invoice": "api-invoices", "credit_note": "api-credit-notes"}
_NO_LINKS = {"self": None, "lines": None, "ubl": None}


class ChangesShown(serializers.Serializer[Any]):
    changes = serializers.SerializerMethodField()
    next = serializers.CharField(
        help_text="The token to read on from: store it when all of `changes` is stored, also when there are none."
    )
    more = serializers.BooleanField(help_text="Whether there is more to read at once.")

    @extend_schema_field(ACCOUNTING_CHANGES)
    def get_changes(self, page: Any) -> Any:
        return page["changes"]


class AccountingChanges(OperatorView):
    permissions = {"GET": Permission.CHANGES_READ}
    serializer_class = ChangesShown
    renderer_classes = [PlainJson]
    http_method_names = ["get", "head"]
    may_be_gone = True  # so the description says 410

    def query_names(self, method: str) -> frozenset[str]:
        return frozenset({"after", "limit", "system"})

    @extend_schema(
        parameters=[
            OpenApiParameter(
                "after",
                {"type": "string", "maxLength": TOKEN_LENGTH},
                description="The `next` of the page before. Left out: everything from the beginning.",
            ),
            OpenApiParameter(
                "limit",
                {"type": "integer", "minimum": 1, "maximum": MOST_CHANGES},
                description=f"How many changes at most; {USUAL_CHANGES} unless given.",
            ),
            SYSTEM_ASKED,
        ]
    )
    def get(self, request: Request) -> Response:
        """What changed after a token: customers, documents, journal entries, payments and refunds that you may read.

        In the order of the commits, each thing once, as it stands; a thing that changes again moves to the end. Read on
        from `next`. Without `after` the whole is read from its beginning.
        """
        limit = _limit(request.query_params.get("limit"))
        kinds = [kind for kind, permission in READ_BY.items() if self.actor.may(permission)]
        with one_moment(self.actor):
            here = history()
            position = self._position(request.query_params.get("after"), here, kinds)
            page = changes_after(position, kinds=kinds, limit=limit, head=here.head)
            objects = objects_of(page.changes, request.query_params.get("system", ""))
        token = TokenWriter(self.actor.operator_id, here.epoch, kinds)
        bases = {kind: reverse(name) for kind, name in _LISTS.items()}
        return Response(
            {
                "changes": [_told(change, objects.get(change.id), token, bases) for change in page.changes],
                "next": token(page.onward),
                "more": page.more,
            }
        )

    def _position(self, text: str | None, here: History, kinds: Collection[str]) -> int:
        if text is None:
            return 0
        try:
            token = read_token(text, self.actor.operator_id)
        except UnreadableToken:
            problem = Problem("/after", "unreadable", _("Expected: the `next` of a page of this feed."))
            raise BadInput(_("There is no such token of this feed."), errors=[problem]) from None
        start = reverse("api-accounting-changes")
        if token.epoch != here.epoch or token.position > here.head:
            raise _expired(
                _(
                    "The database was restored or moved since this token was given, so it no longer says what you have "
                    "read. Read everything once more from {start}, without a token.",
                    start=start,
                ),
                start,
            )
        if more := set(kinds) - token.kinds:
            raise _expired(
                _(
                    "This token was given to a reader who might not see all that you may: {kinds}. What it passed over "
                    "would be missing. Read everything once more from {start}, without a token.",
                    kinds=", ".join(sorted(more)),
                    start=start,
                ),
                start,
            )
        return token.position


def _expired(detail: str, start: str) -> Gone:
    return Gone(detail, code="feed-token-expired", start=start)


def _limit(text: str | None) -> int:
    if text is None:
        return USUAL_CHANGES
    if not (text.isascii() and text.isdigit() and len(text) <= len(str(MOST_CHANGES))) or not (
        1 <= int(text) <= MOST_CHANGES
    ):
        expected = _("Expected: a whole number from 1 to {most}.", most=MOST_CHANGES)
        raise BadInput(
            _("The changes could not be given."), errors=[Problem("/limit", "out-of-range", expected)]
        )
    return int(text)


def _told(
    change: Change, thing: dict[str, Any] | None, token: TokenWriter, bases: dict[str, str]
) -> dict[str, Any]:
    kind = change.kind
    if thing is not None:
        thing["etag"] = version_tag(kind, change.id, change.version)
        if kind in bases:
            thing["links"] = _links(f"{bases[kind]}/{quote(thing['number'], safe='')}", thing["ubl_sha256"])
        elif kind == "opening":
            thing["links"] = _NO_LINKS
    return {
        "kind": kind,
        "id": change.id,
        "version": change.version,
        "gone": change.gone,
        "changed_at": change.changed_at,
        "token": token(change.position),
        "object": thing,
    }


def _links(address: str, ubl_sha256: str) -> dict[str, str | None]:
    return {"self": address, "lines": f"{address}/lines", "ubl": f"{address}.xml" if ubl_sha256 else None}
