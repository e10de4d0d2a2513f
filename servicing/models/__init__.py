"""The service-event log, what is folded from it, what the office plans, and what customers may see."""

from servicing.models.derived import (
    Alert,
    DueSegment,
    Finding,
    Fit,
    Outlook,
    Report,
    Standstill,
    UnitState,
    Visit,
)
from servicing.models.entries import EntrySecret, EntryShowing
from servicing.models.log import Checkpoint, Event, ProjectionVersion, Seal
from servicing.models.notices import Notice, NoticeWish
from servicing.models.planned import Announcement, PlannedVisit, Pulse, SiteNote
from servicing.models.records import LinkUse, Photo, RecordLink
from servicing.models.texts import PersonalText, PersonKey

__all__ = [
    "Alert",
    "Announcement",
    "Checkpoint",
    "DueSegment",
    "EntrySecret",
    "EntryShowing",
    "Event",
    "Finding",
    "Fit",
    "LinkUse",
    "Notice",
    "NoticeWish",
    "Outlook",
    "PersonKey",
    "PersonalText",
    "Photo",
    "PlannedVisit",
    "ProjectionVersion",
    "Pulse",
    "RecordLink",
    "Report",
    "Seal",
    "SiteNote",
    "Standstill",
    "UnitState",
    "Visit",
]
