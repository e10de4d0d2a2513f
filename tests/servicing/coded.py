"""A code of a site's, a visit that is planned there, and the crew that is shown it."""

from __future__ import annotations

from datetime import date

from servicing.commands.entries import set_code, show_code
from servicing.commands.planning import plan_visit

CODE = "Quarz 7731 Nord"
TODAY = date(2026, 6, 15)


def kept(cast, label="Key box", code=CODE):
    return set_code(actor=cast.dispatcher, site_id=cast.site.id, label=label, code=code)


def planned(cast, day=TODAY, **rest):
    return plan_visit(actor=cast.dispatcher, site_id=cast.site.id, day=day, **rest)


def show(cast, row, actor=None):
    return show_code(actor=actor or cast.crew_phone, site_id=cast.site.id, code_id=row.id)
