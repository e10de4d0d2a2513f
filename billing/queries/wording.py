"""In whose words billing writes what it keeps and sends: the operator's, whoever asked for it."""

from __future__ import annotations

from contextlib import AbstractContextManager

import accounts.queries
from accounts.languages import Manner, known_locale, speaking


def operators_manner() -> Manner:
    """How the operator of the open scope writes to its customers."""
    operator = accounts.queries.get_operator()
    return Manner(known_locale(operator.locale), operator.measures)


def in_operators_words() -> AbstractContextManager[None]:
    """What is said inside stands on documents, in mails and in the books, so it is in the operator's language."""
    return speaking(operators_manner())
