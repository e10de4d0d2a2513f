"""Work that takes longer than a page may: how far it is, who asked for it, and what became of it."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from accounts.models.people import Member
from accounts.tenancy import OperatorOwned, TenantForeignKey


class LongWork(OperatorOwned):
    """A piece of work done in chunks, each a transaction of its own that also stores how far it is.

    ``kind`` is the task that does a chunk, ``ref`` what it is about: one piece of work of a kind and ref is at hand at a
    time. ``asked`` is what it was asked with, ``cursor`` where the next chunk begins, ``result`` what came of it so far.
    ``of`` is 0 until it is known. ``outcome`` is empty until it has ended; ``said`` is why it was refused or failed.
    """

    kind = models.CharField(max_length=80)
    ref = models.CharField(max_length=200)
    asked = models.JSONField(default=dict)
    asked_by = TenantForeignKey(Member, null=True)
    # The program that asked, by the id with which it acts; neither: the product itself.
    asked_by_program = models.UUIDField(null=True)
    # Who asked, as the audit names them: a member may be gone, a program or the product has no member's row.
    asked_name = models.CharField(max_length=200, blank=True)
    asked_at = models.DateTimeField()
    begun_at = models.DateTimeField(null=True)
    phase = models.CharField(max_length=40, blank=True)
    done = models.PositiveIntegerField(default=0)
    of = models.PositiveIntegerField(default=0)
    chunks = models.PositiveIntegerField(default=0)
    cursor = models.JSONField(default=dict)
    result = models.JSONField(default=dict)
    # The job that does it, or did it last.
    job_id = models.UUIDField(null=True)
    cancel_asked_at = models.DateTimeField(null=True)
    ended_at = models.DateTimeField(null=True)
    outcome = models.CharField(
        max_length=12,
        blank=True,
        choices=[(one, one) for one in ("done", "refused", "cancelled", "failed")],
    )
    said = models.TextField(blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["operator", "kind", "ref"], condition=Q(ended_at=None), name="accounts_longwork_one"
            ),
            models.CheckConstraint(
                condition=Q(ended_at=None, outcome="") | (Q(ended_at__isnull=False) & ~Q(outcome="")),
                name="accounts_longwork_ended",
            ),
        ]
        indexes = [
            # The newest first: what is at hand, and what was.
            models.Index(fields=["operator", "-asked_at", "-id"], name="accounts_longwork_newest"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.ref}"


class WorkFile(OperatorOwned):
    """A file that a piece of work was asked with, or that a chunk of it puts aside for the chunks after it.

    Apart from the work's row, which every chunk writes. Gone some weeks after the work has ended.
    """

    work = TenantForeignKey(LongWork)
    number = models.PositiveIntegerField()
    name = models.CharField(max_length=200, blank=True)
    content = models.BinaryField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "work", "number"], name="accounts_workfile_number")
        ]

    def __str__(self) -> str:
        return self.name


class Heartbeat(models.Model):
    """When a part of the product last did its work: a sign that it works, not that its process is there.

    ``name``: ``tick``, ``relay``, or ``worker/<name of the worker>``. No operator's: the service's own.
    """

    name = models.CharField(max_length=120, primary_key=True)
    at = models.DateTimeField()
    figures = models.JSONField(default=dict)

    def __str__(self) -> str:
        return self.name
