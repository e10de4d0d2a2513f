"""A report with what somebody said in it, as the office takes it down. The names are invented."""

from __future__ import annotations

from servicing import log
from servicing.commands.office import receive_report
from servicing.events.types import Subject
from servicing.queries import personal

WHO, SAID = "Quenby Vantongeren", "The zephyrine smell is back beside the lift"
OTHER_WHO, OTHER_SAID = "Isbrand Okonqvist", "A puddle as wide as a dinner plate"


def reported(cast, who=WHO, said=SAID, **rest):
    """A report with its words; gives the event's row and the text."""
    event_id = receive_report(
        actor=cast.dispatcher,
        about=Subject.UNIT,
        subject_id=cast.unit.id,
        kind="odour",
        who=who,
        said=said,
        **rest,
    )
    with cast.reading():
        return log.events_by_id([event_id])[0], personal.texts_of_reports([event_id])[event_id]
