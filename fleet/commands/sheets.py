"""The library of safety data sheets: what a supplier gave for a liquid, kept as it came."""

from __future__ import annotations

from datetime import date, timedelta
from hashlib import sha256
from uuid import UUID

from accounts import clock, tenancy
from accounts.commands.masterdata import insert_rows
from accounts.errors import BadInput, Conflict, NotFound, Problem, TooLarge
from accounts.languages import _
from accounts.permissions import Actor, Permission, require
from fleet import queries
from fleet.models import Liquid, SafetySheet

MOST_BYTES = 5 * 1024 * 1024
# How every PDF file begins (ISO 32000-1, 7.5.2; from memory).
MAGIC = b"%PDF-"
# And how it ends, within its last kilobyte as readers look for it (ISO 32000-1, 7.5.5 and annex H.3; from memory).
END, END_WITHIN = b"%%EOF", 1024
FIRST_YEAR = 1990  # safety data sheets are no older: from memory of Directive 91/155/EEC


def add_safety_sheet(
    *, actor: Actor, liquid_id: UUID, revision_on: date, language: str, content: bytes
) -> SafetySheet:
    """Keep a liquid's safety data sheet, a PDF of up to 5 MB; ``language`` is an ISO 639-1 code such as "de".

    The same file again stores nothing more. BadInput for what is no PDF, TooLarge, NotFound for a liquid that is not
    there, Conflict when another file stands for this revision and language.
    """
    require(actor, Permission.FLEET_MANAGE)
    _refuse_file(content)
    _refuse_words(revision_on, language)
    digest = sha256(content).hexdigest()
    with tenancy.reading(actor):
        queries.get_liquid(liquid_id)
        stored = _stored(liquid_id, revision_on, language)
    if stored is not None and stored.sha256 == digest:
        return stored
    if stored is not None:
        detail = _(
            "Another file stands here for this revision and language. Remove that one first, or check the date."
        )
        raise Conflict(detail, errors=[Problem("/revision_on", "taken", detail)])
    row = {
        "liquid_id": liquid_id,
        "revision_on": revision_on,
        "language": language,
        "content": content,
        "sha256": digest,
        "added_at": clock.now(),
    }
    made: SafetySheet = insert_rows(actor, SafetySheet, [row], after=_note_newest)[0]
    return made


def remove_safety_sheet(*, actor: Actor, sheet_id: UUID) -> None:
    """Take a sheet out of the library again, such as a wrong file. NotFound for one that is not there."""
    require(actor, Permission.FLEET_MANAGE)
    with tenancy.writing(actor):
        sheet = SafetySheet.objects.filter(id=sheet_id).only("liquid_id").first()
        if sheet is None:
            raise NotFound(_("There is no safety data sheet here with this id."))
        SafetySheet.objects.filter(id=sheet_id).delete()
        _note_newest([sheet])


def _note_newest(changed: list[SafetySheet]) -> None:
    """A liquid says of itself of which day its newest sheet is."""
    for sheet in changed:
        of_liquid = SafetySheet.objects.filter(liquid_id=sheet.liquid_id).order_by("-revision_on")
        newest = of_liquid.values_list("revision_on", flat=True).first()
        Liquid.objects.filter(id=sheet.liquid_id).update(sds_revision_on=newest)


def _stored(liquid_id: UUID, revision_on: date, language: str) -> SafetySheet | None:
    found: SafetySheet | None = (
        SafetySheet.objects.defer("content")
        .filter(liquid_id=liquid_id, revision_on=revision_on, language=language)
        .first()
    )
    return found


def _refuse_file(content: bytes) -> None:
    if len(content) > MOST_BYTES:
        detail = _("The file is larger than 5 MB. Ask the supplier for a smaller one.")
        raise TooLarge(detail, errors=[Problem("/content", "too-large", detail)])
    if not content.startswith(MAGIC):
        detail = _("This file is no PDF. Save the sheet as a PDF, or ask the supplier for one.")
        raise BadInput(detail, errors=[Problem("/content", "no-pdf", detail)])
    if END not in content[-END_WITHIN:]:
        detail = _("The end of this PDF is missing. Fetch the file anew, or ask the supplier for it.")
        raise BadInput(detail, errors=[Problem("/content", "no-whole-pdf", detail)])


def _refuse_words(revision_on: date, language: str) -> None:
    # A revision of tomorrow may be today's where the supplier is.
    if not date(FIRST_YEAR, 1, 1) <= revision_on <= clock.now().date() + timedelta(days=1):
        detail = _(
            "The revision's day stands on the sheet itself; it lies from {year} to today.", year=FIRST_YEAR
        )
        raise BadInput(detail, errors=[Problem("/revision_on", "out-of-range", detail)])
    if not (len(language) == 2 and language.isascii() and language.isalpha() and language.islower()):  # noqa: PLR2004
        detail = _("A language is two small letters of ISO 639-1, such as en or de.")
        raise BadInput(detail, errors=[Problem("/language", "language", detail)])
