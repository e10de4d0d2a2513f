"""Learning from what crews found: the fits of doses and wicks, made anew once a day, and all outlooks with them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from uuid import UUID

import orjson
from django.db import connection

from accounts import clock, tenancy
from accounts.ids import uuid7
from accounts.jobs import Job, perform
from accounts.permissions import Actor, Permission, require
from accounts.tenancy import current_operator_id
from servicing import log
from servicing.projections import due, storing
from servicing.projections.folding import PROJECTION
from servicing.projections.pulse import beat
from servicing.queries import forecasting, learning
from servicing.queries.forecasting import DOSE, WICK
from servicing.rules.forecasting.dry import fleet_read
from servicing.rules.forecasting.fits import DoseFits, WickFits
from servicing.rules.forecasting.learning import learn_doses, learn_wicks


@dataclass(frozen=True, slots=True)
class Refitted:
    """What a refit learnt from (readings of doses, failed wicks) and how many outlooks it made anew."""

    readings: int
    failures: int
    outlooks: int


def refit(*, actor: Actor) -> Refitted:
    """Fit the operator's doses and wicks to all it has recorded, and make its outlooks anew, in one transaction.

    The histories are read and fitted before the operator's lock is taken, so uploads wait only while the outlooks are
    written. Everything is read at once, which holds for some 20,000 units an operator. Doing it again with nothing new
    recorded gives the same figures.
    """
    require(actor, Permission.OPERATOR_MANAGE)
    with tenancy.writing(actor, lock_timeout_ms=0):
        return _refit(actor)


def run_refit(operator_id: UUID, job_id: UUID) -> bool:
    """A refit as a job: effect and job row in one transaction; a second run finds it done."""
    return perform(operator_id, job_id, _refit_effect)


def _refit_effect(actor: Actor, job: Job) -> None:
    _refit(actor)


@log.paused_collection()
def _refit(actor: Actor) -> Refitted:
    position = storing.read_checkpoint(PROJECTION)
    units = learning.told()
    hanging = [one for one in units if one.site_id is not None]
    placed, learnt = learning.placed_of(hanging), learning.units_learnt(hanging)
    read = fleet_read([one.history.intervals for one in placed])
    doses = learn_doses(learnt, read)
    learnt += learning.units_learnt([one for one in units if one.site_id is None])
    wicks = learn_wicks(learnt, learning.wick_lines(position))
    with connection.cursor() as cursor:
        # From here on as an upload does: else both would write the same unit's outlook.
        log.lock_operator(cursor, actor.operator_id)
    _store(doses, wicks, position)
    if storing.read_checkpoint(PROJECTION) == position:
        count = due.write_outlooks(placed, read)
    else:
        count = due.refresh_outlooks()
    beat()
    return Refitted(doses.fit.readings, wicks.life.based_on_failures, count)


_STORE_SQL = """
INSERT INTO servicing_fit (id, operator_id, kind, method, made_at, position, basis, parameters)
SELECT id, %(operator)s, kind, method, %(now)s, %(position)s, basis, parameters
FROM jsonb_to_recordset(%(fits)s::jsonb) AS (id uuid, kind text, method text, basis jsonb, parameters jsonb)
"""
_FORGET_SQL = """
DELETE FROM servicing_fit WHERE operator_id = %(operator)s AND id IN (
    SELECT id FROM (
        SELECT id, row_number() OVER (PARTITION BY kind ORDER BY made_at DESC, position DESC, id DESC) AS place
        FROM servicing_fit WHERE operator_id = %(operator)s
    ) f WHERE place > %(kept)s
)
"""


def _store(doses: DoseFits, wicks: WickFits, position: int) -> None:
    """Store the two fits, which are live from here on, and forget those that are too old to be shown."""
    now = clock.now()
    dose, wick = doses.fit, wicks.life
    of_dose = {"units": dose.units, "readings": dose.readings, "censored": dose.censored}
    of_wick = {"wicks": wick.based_on_wicks, "failures": wick.based_on_failures, "prior": wicks.is_prior}
    fits = [
        {"id": uuid7(now), "kind": kind, "method": method, "basis": basis, "parameters": parameters}
        for kind, method, basis, parameters in (
            (DOSE, dose.method, of_dose, doses.to_json()),
            (WICK, wick.method, of_wick, wicks.to_json()),
        )
    ]
    values: dict[str, Any] = {
        "operator": current_operator_id(),
        "now": now,
        "position": position,
        "fits": orjson.dumps(fits).decode(),
        "kept": forecasting.KEPT_FITS,
    }
    with connection.cursor() as cursor:
        cursor.execute(_STORE_SQL, values)
        cursor.execute(_FORGET_SQL, values)
