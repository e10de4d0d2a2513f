"""The log with its seals and what people said, as whoever takes everything along gets it. Inside the operator's scope."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import islice

from accounts.tenancy import current_operator_id
from servicing import log
from servicing.models import PersonalText
from servicing.queries.personal import texts
from servicing.queries.seals import leaf_of, seal_content, seals
from servicing.rules.seals import canonical

TEXT_COLUMNS = ("text_id", "person_id", "state", "who", "said", "filed_at", "erased_at")
_TEXTS_AT_ONCE = 500


def log_lines() -> Iterator[bytes]:
    """Every event in the canonical form that is sealed, one a line, by position."""
    operator_id = current_operator_id()
    for page in log.pages_after(0):
        for row in page:
            yield leaf_of(operator_id, row) + b"\n"


def seal_lines() -> Iterator[bytes]:
    """Every seal, its hash among what it says, one a line, by number."""
    for seal in seals().iterator():
        yield canonical(seal_content(seal)) + b"\n"


def texts_through() -> Iterator[Sequence[str | None]]:
    """``TEXT_COLUMNS`` of what people said, as far as its keys are here; ``state`` says of each whether they are."""
    ids = PersonalText.objects.order_by("text_id").values_list("text_id", flat=True).iterator()
    while some := list(islice(ids, _TEXTS_AT_ONCE)):
        for text in texts(some).values():
            filed, erased = (at.isoformat() if at else None for at in (text.filed_at, text.erased_at))
            yield str(text.text_id), str(text.person_id), text.state, text.who, text.said, filed, erased
