"""What the office sets up."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, path

from accounts.pages import (
    agreements,
    audit,
    clients,
    crews,
    customers,
    members,
    operators,
    passwords,
    quarantine,
    rules,
    second_factor,
    set_up,
    sites,
    where,
    work,
)
from servicing.pages import beginning, own_notices, people, standstills
from servicing.queries.beginning import steps_left

# Pages of one operator, each under its address.
OPERATOR = "<slug:slug>"

SET_UP = f"{OPERATOR}/set-up"
PROGRAM = f"{SET_UP}/programs/<uuid:client_uuid>"
SITE = f"{SET_UP}/sites/<str:code>"
pages: list[URLPattern | URLResolver] = [
    # What an invitation's mail links to: the signature in it is the key.
    path("invitation/<str:token>", members.invitation, name="invitation"),
    path(f"{OPERATOR}/me", operators.me, name="me"),
    path(f"{OPERATOR}/me/password", passwords.own, name="own-password"),
    path(f"{OPERATOR}/me/where", where.where, name="where-signed-in"),
    path(f"{OPERATOR}/me/where/end", where.end_one, name="end-session"),
    path(f"{OPERATOR}/me/where/end-others", where.end_others, name="end-other-sessions"),
    path(f"{OPERATOR}/me/where/end-all", where.sign_out_everywhere, name="sign-out-everywhere"),
    path(f"{OPERATOR}/me/where/browsers/<uuid:device_id>/forget", where.forget_device, name="forget-browser"),
    path(f"{OPERATOR}/me/second-factor", second_factor.own, name="own-second-factor"),
    path(f"{OPERATOR}/me/second-factor/set-up", second_factor.set_up_own, name="set-up-own-second-factor"),
    path(
        f"{OPERATOR}/me/second-factor/recovery-codes",
        second_factor.renew_recovery_codes,
        name="renew-recovery-codes",
    ),
    path(f"{OPERATOR}/me/second-factor/remove", second_factor.remove_own, name="remove-own-second-factor"),
    path(f"{OPERATOR}/me/notices", own_notices.own_notices, name="own-notices"),
    path(f"{OPERATOR}/work/", work.works, name="work"),
    path(f"{OPERATOR}/work/<uuid:work_id>", work.work, name="work-one"),
    path(f"{OPERATOR}/work/<uuid:work_id>/cancel", work.cancel, name="cancel-work"),
    path(f"{SET_UP}/", set_up.set_up, {"still_to_do": steps_left}, name="set-up"),
    path(f"{SET_UP}/begin", beginning.begin, name="begin"),
    path(f"{SET_UP}/customers/", customers.customers, name="customers"),
    path(f"{SET_UP}/new-customer", customers.new_customer, name="new-customer"),
    path(f"{SET_UP}/customers/<path:code>", customers.customer, name="customer"),
    path(f"{SET_UP}/remove-customer/<path:code>", customers.remove_customer, name="remove-customer"),
    path(f"{SET_UP}/sites/", sites.sites, name="sites-set-up"),
    path(f"{SET_UP}/new-site", sites.new_site, name="new-site"),
    path(SITE, sites.site, name="site-set-up"),
    path(f"{SITE}/contacts", sites.add_contact, name="add-contact"),
    path(f"{SITE}/contacts/<uuid:contact_id>", sites.change_contact, name="change-contact"),
    path(f"{SITE}/contacts/<uuid:contact_id>/remove", sites.remove_contact, name="remove-contact"),
    path(f"{SITE}/agreements", agreements.add_agreement, name="add-agreement"),
    path(
        f"{SITE}/agreements/<uuid:agreement_id>/other-terms",
        agreements.follow_agreement,
        name="follow-agreement",
    ),
    path(f"{SITE}/agreements/<uuid:agreement_id>/end", agreements.end_agreement, name="end-agreement"),
    path(f"{SET_UP}/standstills/", standstills.standstill_list, name="standstills"),
    path(f"{OPERATOR}/sites/<str:code>/standstill", standstills.begin, name="begin-standstill"),
    path(
        f"{OPERATOR}/sites/<str:code>/standstill/<uuid:event_id>/end", standstills.end, name="end-standstill"
    ),
    path(
        f"{OPERATOR}/sites/<str:code>/standstill/<uuid:event_id>/undo",
        standstills.undo,
        name="undo-standstill",
    ),
    path(f"{SET_UP}/crews/", crews.crews, name="crews-set-up"),
    path(f"{SET_UP}/crews/<uuid:crew_id>", crews.crew, name="crew-set-up"),
    path(f"{SET_UP}/crews/<uuid:crew_id>/stop", crews.stop_crew, name="stop-crew"),
    path(f"{SET_UP}/crews/<uuid:crew_id>/resume", crews.resume_crew, name="resume-crew"),
    path(f"{SET_UP}/crew", crews.add_crew, name="add-crew"),
    path(f"{SET_UP}/phone", crews.register_phone, name="register-phone"),
    path(f"{SET_UP}/phone/<uuid:device_id>/revoke", crews.revoke_phone, name="revoke-phone"),
    path(f"{SET_UP}/people/", members.members, name="members"),
    path(f"{SET_UP}/people/invite", members.invite, name="invite-member"),
    path(f"{SET_UP}/people/<uuid:member_id>", members.member, name="member"),
    path(f"{SET_UP}/people/<uuid:member_id>/invite", members.invite_again, name="invite-again"),
    path(
        f"{SET_UP}/people/<uuid:member_id>/reset-second-factor",
        members.reset_second_factor,
        name="reset-second-factor",
    ),
    path(f"{SET_UP}/people/<uuid:member_id>/end", members.deactivate_member, name="deactivate-member"),
    path(f"{SET_UP}/people-named", people.named, name="people-named"),
    path(f"{SET_UP}/people-named/<uuid:person_id>", people.person, name="person-named"),
    path(f"{SET_UP}/people-named/<uuid:person_id>/erase", people.erase, name="erase-person"),
    path(f"{SET_UP}/audit", audit.audit, name="audit"),
    path(f"{SET_UP}/audit.csv", audit.audit_file_page, name="audit-file"),
    path(f"{OPERATOR}/quarantine/", quarantine.quarantine, name="quarantine"),
    path(f"{OPERATOR}/quarantine/<uuid:job_id>/replay", quarantine.replay_job, name="replay-job"),
    path(f"{OPERATOR}/quarantine/<uuid:job_id>/give-up", quarantine.give_up_job, name="give-up-job"),
    path(f"{OPERATOR}/quarantine/all/<str:job_kind>/replay", quarantine.replay_kind, name="replay-kind"),
    path(f"{OPERATOR}/quarantine/all/<str:job_kind>/give-up", quarantine.give_up_kind, name="give-up-kind"),
    path(f"{SET_UP}/programs/", clients.programs, name="programs"),
    path(f"{SET_UP}/programs/new", clients.new_program, name="new-program"),
    path(PROGRAM, clients.program, name="program"),
    path(f"{PROGRAM}/secret", clients.new_program_secret, name="new-program-secret"),
    path(f"{PROGRAM}/secret/<uuid:secret_id>/end", clients.end_program_secret, name="end-program-secret"),
    path(f"{PROGRAM}/revoke", clients.revoke_program, name="revoke-program"),
    path(f"{SET_UP}/rules", rules.service_rules, name="service-rules"),
    path(f"{SET_UP}/operator", operators.operator, name="operator"),
]
