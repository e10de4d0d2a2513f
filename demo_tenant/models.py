"""Which invented world this database holds."""

from __future__ import annotations

from datetime import timedelta

from django.db import models
from django.db.models import Q


class World(models.Model):
    """One row in a trial database, none in any other; global, because it is of no operator."""

    id = models.PositiveSmallIntegerField(primary_key=True, default=1)
    preset = models.CharField(max_length=20)
    seed = models.CharField(max_length=40)
    as_of = models.DateField()
    digest = models.CharField(max_length=64)
    events = models.PositiveIntegerField()
    seconds = models.FloatField(help_text="How long the play took.")
    ends_at = models.DateTimeField(help_text="The world's own last instant.")
    played_at = models.DateTimeField(help_text="When, by the machine's clock, the play ended.")

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(id=1), name="demo_tenant_world_one")]

    def __str__(self) -> str:
        return f"{self.preset}, seed {self.seed}, as of {self.as_of}"

    @property
    def clock_offset(self) -> timedelta:
        """What the clock is moved by while the world is served: it goes on from where the play ended."""
        return self.ends_at - self.played_at
