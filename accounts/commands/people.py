"""Members: invited by a link, given another role or crew, and no longer members."""

from __future__ import annotations

from dataclasses import dataclass
from uuid import UUID

from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db import IntegrityError

from accounts import clock, jobs, queries, tenancy
from accounts.commands.invitations import OVER, Invitation, token_of
from accounts.commands.masterdata import refuse_bad_rows
from accounts.commands.passwords import NO_PASSWORD, keep
from accounts.commands.sessions import end_sessions
from accounts.errors import BadInput, Conflict, NotFound, Problem, pointing_at_one
from accounts.ids import uuid7
from accounts.languages import LOCALES, _
from accounts.models import Member, User
from accounts.permissions import (
    NEEDS_SECOND_FACTOR,
    Actor,
    ActorKind,
    Permission,
    Role,
    require,
    system_actor,
)

# Owed to accounts: an invitation to mail; ``ref`` is the member's id.
INVITE = "accounts.tasks.send_invitation"


@dataclass(frozen=True, slots=True)
class Invited:
    """A member to be, and what the link to take the invitation up ends with."""

    member: Member
    token: str


def invite_member(*, actor: Actor, email: str, name: str, role: Role, crew_id: UUID | None = None) -> Invited:
    """Ask a person to be a member. They are none until they open the link and sign in, or choose a password.

    So nobody is a member by an e-mail address that somebody else registered, nor reads by a link that was made for
    another operator. Conflict for a member; for one who was a member, or is invited already, the link is a new one.
    """
    require(actor, Permission.MEMBERS_MANAGE)
    person = _person(email, name)
    try:
        with tenancy.writing(actor):
            _refuse_crew(role, crew_id)
            member = Member.objects.filter(user_id=person.id).first()
            if member is not None and member.is_active:
                raise _member_already(name)
            if member is None:
                member = Member(id=uuid7(), operator_id=actor.operator_id, user_id=person.id)
            member.name, member.role, member.crew_id = name, role, crew_id
            member.is_active, member.invited_at = False, clock.now()
            with pointing_at_one():
                refuse_bad_rows([member])
            member.save()
            return _invited(member)
    except IntegrityError as clash:
        raise _member_already(name) from clash


def _member_already(name: str) -> Conflict:
    already = _("{name} is a member already.", name=name)
    return Conflict(already, errors=[Problem("/email", "taken", already)])


def _person(email: str, name: str) -> User:
    """The person of an e-mail address, made without a password when there is none."""
    address = email.strip().lower()
    try:
        validate_email(address)
    except ValidationError:
        wrong = _("This is no e-mail address, such as jo@operator.example. Nobody was invited.")
        raise BadInput(wrong, errors=[Problem("/email", "email", wrong)]) from None
    person = queries.get_user_by_email(address)
    if person is not None:
        return person
    person = User(id=uuid7(), email=address, name=name, password=NO_PASSWORD)
    with pointing_at_one():
        refuse_bad_rows([person])
    User.objects.bulk_create([person], ignore_conflicts=True)
    return User.objects.get(email=address)


def _invited(member: Member) -> Invited:
    """With the link, which is mailed too where a mail server is set up."""
    assert member.invited_at is not None
    jobs.enqueue(kind=INVITE, dedup_key=f"{member.id}/{member.invited_at.isoformat()}", ref=str(member.id))
    return Invited(member, token_of(member))


def invite_again(*, actor: Actor, member_id: UUID) -> Invited:
    """A new link for somebody who is invited or was a member; the one before is worth nothing from now on."""
    require(actor, Permission.MEMBERS_MANAGE)
    with tenancy.writing(actor):
        member = queries.get_member(member_id)
        if member.is_active:
            raise _member_already(member.name)
        member.invited_at = clock.now()
        member.save(update_fields=["invited_at"])
        return _invited(member)


def take_up_invitation(*, invitation: Invitation, user_id: UUID | None = None, password: str = "") -> User:
    """Become the member one is invited to be: as the person signed in, or with a first password.

    BadInput for a weak password, NotFound for a link that is over and for somebody else than the person invited. Who was
    signed in, and is now in a role that needs a second factor, signs in once more.
    """
    with tenancy.writing(_invited_person(invitation)):
        # Two openings of one link at once: the second finds it taken up.
        member = (
            Member.objects.select_for_update()
            .filter(id=invitation.member_id, invited_at=invitation.invited_at)
            .first()
        )
        if member is None:
            raise NotFound(_(OVER))
        person = User.objects.select_for_update().get(id=member.user_id)
        if user_id is None:
            _set_first_password(person, password)
        elif user_id != person.id:
            raise NotFound(_(OVER))
        member.is_active, member.invited_at = True, None
        member.save(update_fields=["is_active", "invited_at"])
        if user_id is not None and member.role in NEEDS_SECOND_FACTOR:
            end_sessions(person.id)
        return person


def _invited_person(invitation: Invitation) -> Actor:
    """Who takes it up, as the audit is to tell. NotFound for who is a member no more."""
    with tenancy.reading(system_actor(invitation.operator_id)):
        member = Member.objects.filter(id=invitation.member_id).first()
    if member is None:
        raise NotFound(_(OVER))
    return Actor(
        operator_id=invitation.operator_id,
        kind=ActorKind.MEMBER,
        role=Role(member.role),
        id=member.id,
        name=member.name,
    )


def _set_first_password(person: User, password: str) -> None:
    if person.password != NO_PASSWORD:
        raise NotFound(_(OVER))
    operator = queries.get_operator()
    keep(person, password, operators=[operator.name, operator.slug])


def change_member(
    *, actor: Actor, member_id: UUID, name: str, role: Role, crew_id: UUID | None = None
) -> Member:
    """Another name, role or crew, with the next page they open. Conflict when no owner would be left.

    Whose role needs a second factor from now on signs in once more.
    """
    require(actor, Permission.MEMBERS_MANAGE)
    with tenancy.writing(actor):
        member = queries.get_member(member_id)
        _refuse_crew(role, crew_id)
        if role is not Role.OWNER:
            _refuse_last_owner(member)
        is_raised = role in NEEDS_SECOND_FACTOR and member.role not in NEEDS_SECOND_FACTOR
        member.name, member.role, member.crew_id = name, role, crew_id
        with pointing_at_one():
            refuse_bad_rows([member])
        member.save(update_fields=["name", "role", "crew"])
        if is_raised and member.is_active:
            end_sessions(member.user_id)
        return member


def deactivate_member(*, actor: Actor, member_id: UUID) -> None:
    """No member any more, or no longer invited. What they did stays under their name. Conflict for the last owner.

    A member's sessions end; those of somebody only invited are no business of this operator's.
    """
    require(actor, Permission.MEMBERS_MANAGE)
    with tenancy.writing(actor):
        member = queries.get_member(member_id)
        _refuse_last_owner(member)
        Member.objects.filter(id=member_id).update(is_active=False, invited_at=None)
        if member.is_active:
            end_sessions(member.user_id)


def _refuse_last_owner(member: Member) -> None:
    """The owners' rows are locked, so that two owners can't take each other's role away at once."""
    owners = Member.objects.select_for_update().filter(role=Role.OWNER, is_active=True).order_by("id")
    if list(owners.values_list("id", flat=True)) == [member.id]:
        raise Conflict(_("{name} is the only owner. Make somebody else an owner first.", name=member.name))


def _refuse_crew(role: Role, crew_id: UUID | None) -> None:
    if crew_id is not None:
        queries.get_crew(crew_id)
    elif role is Role.CREW_MEMBER:
        missing = _("Choose the crew that this person works in.")
        raise BadInput(missing, errors=[Problem("/crew", "missing", missing)])


def set_own_locale(*, actor: Actor, locale: str) -> None:
    """The language a member reads in; "": the operator's."""
    require(actor, Permission.OWN_SETTINGS)
    if locale and locale not in LOCALES:
        unknown = _("Choose one of the languages of the list.")
        raise BadInput(unknown, errors=[Problem("/locale", "unknown", unknown)])
    if actor.kind is not ActorKind.MEMBER:
        raise NotFound(_("There is no member here with this id."))
    with tenancy.writing(actor):
        Member.objects.filter(id=actor.id).update(locale=locale)
