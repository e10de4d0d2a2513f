"""What is folded from the log, what was learnt from it, and the alerts that sweeps open and close."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from accounts.tenancy import OperatorOwned, OperatorScoped, TenantForeignKey


class UnitState(OperatorScoped):
    """What a unit's events say of it. Rebuilt from the log by projections."""

    pk = models.CompositePrimaryKey("operator_id", "unit_id")
    unit = TenantForeignKey("fleet.Unit")
    site = TenantForeignKey("accounts.Site", null=True)
    station = TenantForeignKey("fleet.Station", null=True)
    status = models.CharField(max_length=12)
    last_exchange_at = models.DateTimeField(null=True)
    history = models.JSONField()

    class Meta:
        indexes = [
            models.Index(fields=["operator", "site"], name="servicing_unitstate_site")
        ]  # units of a site


class DueSegment(OperatorScoped):
    """From when to when which due day of a unit is open. Rebuilt from unit states, agreements and standstills."""

    pk = models.CompositePrimaryKey("operator_id", "unit_id", "starts_on")
    unit = TenantForeignKey("fleet.Unit")
    site = TenantForeignKey("accounts.Site")
    zone = models.CharField(max_length=64)
    kind = models.CharField(max_length=12)
    starts_on = models.DateField()
    ends_before = models.DateField(null=True)
    due_on = models.DateField(null=True)
    opens_on = models.DateField(null=True)
    past_grace_from = models.DateField(null=True)
    long_past_from = models.DateField(null=True)
    is_reopen = models.BooleanField(default=False)

    class Meta:
        indexes = [
            models.Index(fields=["operator", "site"], name="servicing_duesegment_site")
        ]  # due days of a site


class Fit(OperatorOwned):
    """What was learnt from an operator's histories, of doses or of wicks; the latest of a kind is live.

    ``position`` is how far the log was folded then; ``basis`` how many units, readings and failures it rests on.
    """

    kind = models.CharField(max_length=4, choices=[("dose", "dose"), ("wick", "wick")])
    method = models.CharField(max_length=20)
    made_at = models.DateTimeField()
    position = models.BigIntegerField()
    basis = models.JSONField()
    parameters = models.JSONField()

    class Meta:
        indexes = [
            models.Index(fields=["operator", "kind", "made_at"], name="servicing_fit_latest")
        ]  # the live fit of a kind

    def __str__(self) -> str:
        return f"{self.kind} fit of {self.made_at:%Y-%m-%d}"


def _word(most: int) -> models.CharField:
    """A short word of a forecast; empty while there is nothing to say."""
    return models.CharField(max_length=most, blank=True, default="", db_default="")


class Outlook(OperatorScoped):
    """When a unit runs dry, what its output and its wick are likely to do, and what to do about it.

    ``dry_on`` is the median day without a drop, between ``dry_earliest_on`` and ``dry_latest_on`` in four of five cases;
    ``empty_on`` the median day on which the cartridge is used up. ``chance_dry`` and ``wick_chance`` are the chances of
    running dry and of a failed wick before the next due day; ``latest_on`` is the last day on which the first is accepted.
    ``drift``: the output is lower or higher than expected since ``drift_since_on``. ``wick_saving`` is in the operator's
    currency; ``basis`` says what the figures rest on. Rebuilt from unit states, master data and fits.
    """

    pk = models.CompositePrimaryKey("operator_id", "unit_id")
    unit = TenantForeignKey("fleet.Unit")
    site = TenantForeignKey("accounts.Site")
    dose_ml_per_day = models.DecimalField(max_digits=8, decimal_places=3, null=True)
    dry_on = models.DateField(null=True)
    dry_soon_from = models.DateField(null=True)
    wick_since_on = models.DateField(null=True)
    wick_watch_from = models.DateField(null=True)
    empty_on = models.DateField(null=True)
    dry_earliest_on = models.DateField(null=True)
    dry_latest_on = models.DateField(null=True)
    chance_dry = models.DecimalField(max_digits=5, decimal_places=4, null=True)
    latest_on = models.DateField(null=True)
    dry_advice = _word(12)
    drift = _word(16)
    drift_since_on = models.DateField(null=True)
    drift_advice = _word(16)
    wick_chance = models.DecimalField(max_digits=5, decimal_places=4, null=True)
    wick_advice = _word(8)
    wick_reason = _word(16)
    wick_saving = models.DecimalField(max_digits=9, decimal_places=2, null=True)
    clean_due_on = models.DateField(null=True)
    basis = models.JSONField(default=dict, db_default={})


class Visit(OperatorScoped):
    """One arrival of a crew at a site; its id is the crew's. Rebuilt from the log by projections."""

    pk = models.CompositePrimaryKey("operator_id", "id")
    id = models.UUIDField()
    site = TenantForeignKey("accounts.Site")
    crew = TenantForeignKey("accounts.Crew", null=True)
    day = models.DateField()
    occurred_at = models.DateTimeField()
    outcome = models.CharField(max_length=20)
    reason = models.CharField(max_length=20, blank=True)
    minutes = models.IntegerField(null=True)
    units = models.IntegerField()

    class Meta:
        indexes = [
            models.Index(
                fields=["operator", "site", "day"], name="servicing_visit_site"
            ),  # a site's past visits
            models.Index(fields=["operator", "day"], name="servicing_visit_day"),  # what was done on a day
        ]


class Standstill(OperatorScoped):
    """A dated pause of a site, its last day included. Rebuilt from the log by projections."""

    pk = models.CompositePrimaryKey("operator_id", "event_id")
    event_id = models.UUIDField()
    site = TenantForeignKey("accounts.Site")
    starts_on = models.DateField()
    ends_on = models.DateField(null=True)
    billing = models.CharField(max_length=4)

    class Meta:
        indexes = [
            models.Index(fields=["operator", "site"], name="servicing_standstill_site")
        ]  # pauses of a site


class Report(OperatorScoped):
    """A message from a site that is still open. Rebuilt from the log by projections."""

    pk = models.CompositePrimaryKey("operator_id", "event_id")
    event_id = models.UUIDField()
    site = TenantForeignKey("accounts.Site", null=True)
    unit = TenantForeignKey("fleet.Unit", null=True)
    kind = models.CharField(max_length=12)
    received_at = models.DateTimeField()


class Finding(OperatorScoped):
    """Where an event contradicts the history it joins. Rebuilt from the log by projections."""

    pk = models.CompositePrimaryKey("operator_id", "event_id", "code")
    event_id = models.UUIDField()
    code = models.CharField(max_length=40)
    subject_kind = models.CharField(max_length=8)
    subject_id = models.UUIDField()
    occurred_at = models.DateTimeField()

    class Meta:
        indexes = [
            models.Index(fields=["operator", "subject_id"], name="servicing_finding_subject")
        ]  # findings of a unit


class Alert(OperatorOwned):
    """Something true of a unit from a day on. Opened and closed by sweeps; the key never repeats.

    ``turn`` counts the operator's sweeps that changed something: it is that of the last change of this row, and
    ``opened_turn`` that of its last opening. Who tells of alerts reads on from a turn.
    """

    kind = models.CharField(max_length=12)
    # No index of either alone: those below lead to both, and a night's sweep would touch every page of them.
    unit = TenantForeignKey("fleet.Unit", db_index=False)
    site = TenantForeignKey("accounts.Site", db_index=False)
    first_day = models.DateField()
    opened_at = models.DateTimeField()
    closed_at = models.DateTimeField(null=True)
    acknowledged_at = models.DateTimeField(null=True)
    turn = models.BigIntegerField(default=0, db_default=0)
    opened_turn = models.BigIntegerField(default=0, db_default=0)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["operator", "kind", "unit", "first_day"], name="servicing_alert_key"
            )
        ]
        indexes = [
            # What is true now, by kind.
            models.Index(
                fields=["operator", "kind", "site"], condition=Q(closed_at=None), name="servicing_alert_open"
            ),
            # The newest first, and those of a site: lists of all there ever were.
            models.Index(fields=["operator", "-first_day", "id"], name="servicing_alert_newest"),
            models.Index(fields=["operator", "site"], name="servicing_alert_site"),
            # What opened or closed after a turn.
            models.Index(fields=["operator", "turn"], name="servicing_alert_turn"),
        ]
