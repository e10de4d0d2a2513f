"""Who: operators, people, crews and their devices, programs, customers, sites, what was agreed, and the jobs owed.

Django finds the tables here; each stands in the module of its noun.
"""

from accounts.models.agreed import ServiceAgreement, ServiceRules
from accounts.models.choices import DUST, MEASURES, ROLES, SITE_KINDS
from accounts.models.owed import Job, KeptAnswer
from accounts.models.people import AccessToken, Crew, Device, Member, Operator, User, UserManager
from accounts.models.places import Customer, Site, SiteContact
from accounts.models.programs import NO_SECRET, ClientChange, ClientSecret, ClientToken, MachineClient

__all__ = [
    "DUST",
    "MEASURES",
    "NO_SECRET",
    "ROLES",
    "SITE_KINDS",
    "AccessToken",
    "ClientChange",
    "ClientSecret",
    "ClientToken",
    "Crew",
    "Customer",
    "Device",
    "Job",
    "KeptAnswer",
    "MachineClient",
    "Member",
    "Operator",
    "ServiceAgreement",
    "ServiceRules",
    "Site",
    "SiteContact",
    "User",
    "UserManager",
]
