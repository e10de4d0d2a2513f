"""How the tests of long imports send files, and let the work be done as a worker would."""

from __future__ import annotations

from datetime import timedelta
from typing import Any
from uuid import UUID

from accounts import clock
from accounts import queries as accounts
from accounts.models import LongWork
from servicing.commands import importing
from servicing.queries import imports
from tests.cast import Cast

CUSTOMERS = "code,name,country\n"


def rows_of(count: int, first: int = 10) -> str:
    return CUSTOMERS + "".join(f"C{n},Customer {n},DE\n" for n in range(first, first + count))


def look(cast: Cast, kind: str, text: str | bytes, **rest: Any) -> UUID:
    content = text.encode() if isinstance(text, str) else text
    return importing.begin_look(
        actor=rest.pop("actor", cast.dispatcher), kind=kind, content=content, name="rows.csv"
    )


def work_off(cast: Cast, work_id: UUID) -> LongWork:
    """As the worker does: job after job, until the work has ended."""
    for _ in range(50):
        with cast.reading():
            work = LongWork.objects.get(id=work_id)
        if work.ended_at is not None:
            return work
        run = importing.run_look if work.kind.endswith("look_at_import") else importing.run_import
        run(cast.operator.id, work.job_id)
    raise AssertionError("it does not end")


def looked(cast: Cast, kind: str, text: str | bytes) -> Any:
    look_id = look(cast, kind, text)
    work_off(cast, look_id)
    return found(cast, look_id)


def imported(cast: Cast, look_id: UUID, **asked: Any) -> Any:
    clock.set_to(clock.now() + timedelta(seconds=1))
    work_off(cast, importing.begin_import(actor=cast.dispatcher, look_id=look_id, **asked))
    return found(cast, look_id)


def found(cast: Cast, look_id: UUID) -> imports.Import:
    with cast.reading():
        return imports.get_import(cast.dispatcher, look_id)


def codes(cast: Cast) -> set[str]:
    with cast.reading():
        return set(accounts.customers().values_list("code", flat=True))


def job_of(cast: Cast, work_id: UUID) -> UUID:
    with cast.reading():
        job_id: UUID = LongWork.objects.get(id=work_id).job_id
    return job_id
