"""Who: operators, people and how they sign in, crews and their devices, programs, customers, sites, agreements, and jobs owed.

Django finds the tables here; each stands in the module of its noun.
"""

from accounts.models.agreed import ServiceAgreement, ServiceRules
from accounts.models.auditing import AuditEntry
from accounts.models.choices import DUST, MEASURES, ROLES, SITE_KINDS
from accounts.models.owed import Job, KeptAnswer
from accounts.models.people import AccessToken, Crew, Device, Member, Operator, User, UserManager
from accounts.models.places import Customer, Site, SiteContact
from accounts.models.programs import NO_SECRET, ClientChange, ClientSecret, ClientToken, MachineClient
from accounts.models.signing_in import (
    KnownDevice,
    RecoveryCode,
    ResetAsked,
    SecondFactor,
    SignIn,
    Tally,
)
from accounts.models.support import Closing, SupportGrant
from accounts.models.work import Heartbeat, LongWork, WorkFile

__all__ = [
    "DUST",
    "MEASURES",
    "NO_SECRET",
    "ROLES",
    "SITE_KINDS",
    "AccessToken",
    "AuditEntry",
    "ClientChange",
    "ClientSecret",
    "ClientToken",
    "Closing",
    "Crew",
    "Customer",
    "Device",
    "Heartbeat",
    "Job",
    "KeptAnswer",
    "KnownDevice",
    "LongWork",
    "MachineClient",
    "Member",
    "Operator",
    "RecoveryCode",
    "ResetAsked",
    "SecondFactor",
    "ServiceAgreement",
    "ServiceRules",
    "SignIn",
    "Site",
    "SiteContact",
    "SupportGrant",
    "Tally",
    "User",
    "UserManager",
    "WorkFile",
]
