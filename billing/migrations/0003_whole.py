from decimal import Decimal

import django.contrib.postgres.constraints
import django.contrib.postgres.fields.ranges
import django.db.models.deletion
import django.db.models.functions.comparison
from django.db import migrations, models

import accounts.ids
import accounts.tenancy

# Tables to which rows are only added; of these, the ones whose change is refused to the owner too.
ADDED_TO = (
    "Allocation",
    "CloseInputs",
    "ContractRenewal",
    "IndexFigure",
    "JournalEntry",
    "JournalLine",
    "Payment",
    "Preview",
    "RoyaltyStatement",
)
GUARDED = ("billing_closeinputs", "billing_journalentry", "billing_journalline", "billing_royaltystatement")
GUARD_SQL = "".join(
    f"""
    CREATE TRIGGER {table}_no_change BEFORE UPDATE OR DELETE ON {table}
        FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse_change();
    CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table}
        FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse_change();
    ALTER TABLE {table} ENABLE ALWAYS TRIGGER {table}_no_change;
    ALTER TABLE {table} ENABLE ALWAYS TRIGGER {table}_no_truncate;
    """
    for table in GUARDED
)
# References that tables of 0001 have from now on: each carries the operator.
REFERENCES = (
    ("billing_charge", "contract_id", "billing_contract"),
    ("billing_document", "corrects_id", "billing_document"),
    ("billing_document", "legal_entity_id", "billing_legalentity"),
    ("billing_documentline", "credits_id", "billing_documentline"),
    ("billing_numberseries", "legal_entity_id", "billing_legalentity"),
    ("billing_priceversion", "contract_id", "billing_contract"),
    ("billing_priceversion", "site_id", "accounts_site"),
)
REFERENCES_SQL = "".join(
    f'ALTER TABLE "{table}" ADD CONSTRAINT "{table}_{column}_operator" '
    f'FOREIGN KEY (operator_id, "{column}") REFERENCES "{target}" (operator_id, id);'
    for table, column, target in REFERENCES
)
# Documents issued before there was tax: what they total is net.
NET_SQL = """
    ALTER TABLE billing_document DISABLE TRIGGER USER;
    UPDATE billing_document SET net = total;
    ALTER TABLE billing_document ENABLE ALWAYS TRIGGER billing_document_no_change;
    ALTER TABLE billing_document ENABLE ALWAYS TRIGGER billing_document_no_truncate;
"""


class Migration(migrations.Migration):
    dependencies = [
        ("accounts", "0004_roles"),
        ("billing", "0002_documents"),
    ]

    operations = [
        migrations.CreateModel(
            name="Allocation",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("amount", models.DecimalField(decimal_places=4, max_digits=20)),
                ("made_on", models.DateField()),
            ],
        ),
        migrations.CreateModel(
            name="BillingProfile",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("street", models.CharField(blank=True, db_default="", default="", max_length=200)),
                ("city", models.CharField(blank=True, db_default="", default="", max_length=100)),
                ("postcode", models.CharField(blank=True, db_default="", default="", max_length=20)),
                ("subdivision", models.CharField(blank=True, db_default="", default="", max_length=60)),
                ("vat_id", models.CharField(blank=True, db_default="", default="", max_length=30)),
                ("buyer_reference", models.CharField(blank=True, db_default="", default="", max_length=60)),
                (
                    "tax_treatment",
                    models.CharField(
                        choices=[
                            ("standard", "standard"),
                            ("reverse_charge", "reverse charge"),
                            ("intra_community", "intra community"),
                            ("export", "export"),
                            ("exempt", "exempt"),
                            ("outside", "outside"),
                        ],
                        db_default="standard",
                        default="standard",
                        max_length=16,
                    ),
                ),
                ("tax_jurisdiction", models.CharField(blank=True, db_default="", default="", max_length=20)),
                ("exemption_reason", models.CharField(blank=True, db_default="", default="", max_length=200)),
                ("payment_days", models.PositiveSmallIntegerField(blank=True, null=True)),
                ("po_required", models.BooleanField(db_default=False, default=False)),
                ("line_pos", models.BooleanField(db_default=False, default=False)),
                (
                    "delivery",
                    models.CharField(
                        choices=[("email", "email"), ("none", "none")],
                        db_default="email",
                        default="email",
                        max_length=10,
                    ),
                ),
                (
                    "invoice_minimum",
                    models.DecimalField(blank=True, decimal_places=6, max_digits=20, null=True),
                ),
            ],
        ),
        migrations.CreateModel(
            name="CloseInputs",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("part", models.PositiveIntegerField()),
                ("inputs", models.JSONField()),
                ("inputs_sha256", models.CharField(max_length=64)),
            ],
        ),
        migrations.CreateModel(
            name="Contract",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("number", models.CharField(max_length=30)),
                ("starts_on", models.DateField()),
                ("ends_before", models.DateField(blank=True, null=True)),
                ("term_months", models.PositiveSmallIntegerField(default=12)),
                ("renewal_months", models.PositiveSmallIntegerField(default=12)),
                ("notice_days", models.PositiveSmallIntegerField(default=90)),
                (
                    "end_rule",
                    models.CharField(
                        choices=[("period_end", "period end"), ("exact_day", "exact day")],
                        db_default="period_end",
                        default="period_end",
                        max_length=12,
                    ),
                ),
                ("notice_given_on", models.DateField(blank=True, null=True)),
            ],
        ),
        migrations.CreateModel(
            name="ContractRenewal",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("starts_on", models.DateField()),
                ("ends_before", models.DateField()),
                ("recorded_at", models.DateTimeField()),
            ],
        ),
        migrations.CreateModel(
            name="ContractSite",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("starts_on", models.DateField()),
                ("ends_before", models.DateField(blank=True, null=True)),
            ],
        ),
        migrations.CreateModel(
            name="ContractTerms",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("effective_from", models.DateField()),
                (
                    "mode",
                    models.CharField(
                        choices=[
                            ("unit_month", "unit month"),
                            ("unit_service", "unit service"),
                            ("flat_site", "flat site"),
                            ("base_plus", "base plus"),
                            ("per_visit", "per visit"),
                        ],
                        db_default="unit_month",
                        default="unit_month",
                        max_length=14,
                    ),
                ),
                ("cycle_months", models.PositiveSmallIntegerField(default=1)),
                ("in_advance", models.BooleanField(default=False)),
                (
                    "proration",
                    models.CharField(
                        choices=[
                            ("by_days", "by days"),
                            ("thirty_360", "thirty 360"),
                            ("first_free", "first free"),
                            ("first_full", "first full"),
                        ],
                        db_default="by_days",
                        default="by_days",
                        max_length=14,
                    ),
                ),
                ("base_units", models.PositiveIntegerField(default=0)),
                (
                    "visit_minimum",
                    models.DecimalField(blank=True, decimal_places=6, max_digits=20, null=True),
                ),
                (
                    "invoice_minimum",
                    models.DecimalField(blank=True, decimal_places=6, max_digits=20, null=True),
                ),
                ("inclusions", models.JSONField(default=list)),
                ("install_waived", models.BooleanField(default=False)),
                ("claw_back_months", models.PositiveSmallIntegerField(default=0)),
                (
                    "not_admitted",
                    models.CharField(
                        choices=[("billable", "billable"), ("free", "free")],
                        db_default="billable",
                        default="billable",
                        max_length=10,
                    ),
                ),
                ("credits_missed", models.BooleanField(default=False)),
                ("make_good_days", models.PositiveSmallIntegerField(default=5)),
                (
                    "credit_as",
                    models.CharField(
                        choices=[("line", "line"), ("credit_note", "credit note")],
                        db_default="line",
                        default="line",
                        max_length=12,
                    ),
                ),
            ],
        ),
        migrations.CreateModel(
            name="IndexFigure",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("code", models.CharField(max_length=30)),
                ("month", models.DateField()),
                ("value", models.DecimalField(decimal_places=4, max_digits=12)),
            ],
        ),
        migrations.CreateModel(
            name="JournalEntry",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("key", models.CharField(max_length=64)),
                ("ordinal", models.PositiveIntegerField()),
                (
                    "purpose",
                    models.CharField(
                        choices=[
                            ("invoice", "invoice"),
                            ("credit_note", "credit note"),
                            ("payment", "payment"),
                            ("settlement", "settlement"),
                            ("release", "release"),
                            ("opening", "opening"),
                            ("rounding", "rounding"),
                            ("royalty", "royalty"),
                            ("fund", "fund"),
                        ],
                        max_length=16,
                    ),
                ),
                ("entry_on", models.DateField()),
                ("currency", models.CharField(max_length=3)),
                ("text", models.CharField(blank=True, db_default="", default="", max_length=200)),
            ],
        ),
        migrations.CreateModel(
            name="JournalLine",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("line", models.PositiveIntegerField()),
                ("account", models.CharField(max_length=20)),
                ("debit", models.DecimalField(decimal_places=4, default=0, max_digits=20)),
                ("credit", models.DecimalField(decimal_places=4, default=0, max_digits=20)),
                ("jurisdiction", models.CharField(blank=True, db_default="", default="", max_length=20)),
            ],
        ),
        migrations.CreateModel(
            name="LegalEntity",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("code", models.CharField(max_length=10)),
                ("legal_name", models.CharField(max_length=200)),
                ("street", models.CharField(blank=True, db_default="", default="", max_length=200)),
                ("city", models.CharField(blank=True, db_default="", default="", max_length=100)),
                ("postcode", models.CharField(blank=True, db_default="", default="", max_length=20)),
                ("subdivision", models.CharField(blank=True, db_default="", default="", max_length=60)),
                ("country", models.CharField(max_length=2)),
                ("vat_id", models.CharField(blank=True, db_default="", default="", max_length=30)),
                ("registration", models.CharField(blank=True, db_default="", default="", max_length=60)),
                (
                    "regime",
                    models.CharField(
                        choices=[
                            ("none", "none"),
                            ("vat", "vat"),
                            ("gst", "gst"),
                            ("sales_tax", "sales tax"),
                        ],
                        db_default="none",
                        default="none",
                        max_length=10,
                    ),
                ),
                ("tax_jurisdiction", models.CharField(blank=True, db_default="", default="", max_length=20)),
                (
                    "tax_basis",
                    models.CharField(
                        choices=[("invoice", "invoice"), ("item", "item")],
                        db_default="invoice",
                        default="invoice",
                        max_length=10,
                    ),
                ),
                ("currency", models.CharField(max_length=3)),
                (
                    "cash_rounding",
                    models.DecimalField(
                        db_default=Decimal(0), decimal_places=4, default=Decimal(0), max_digits=20
                    ),
                ),
                ("payment_days", models.PositiveSmallIntegerField(db_default=30, default=30)),
                ("iban", models.CharField(blank=True, db_default="", default="", max_length=34)),
                ("bic", models.CharField(blank=True, db_default="", default="", max_length=11)),
                ("bank_name", models.CharField(blank=True, db_default="", default="", max_length=100)),
                ("email", models.EmailField(blank=True, db_default="", default="", max_length=254)),
                ("phone", models.CharField(blank=True, db_default="", default="", max_length=40)),
                ("accounts", models.JSONField(db_default={}, default=dict)),
                ("reminder_days", models.JSONField(db_default=[], default=list)),
                ("is_default", models.BooleanField(db_default=False, default=False)),
            ],
        ),
        migrations.CreateModel(
            name="Payment",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("received_on", models.DateField()),
                ("amount", models.DecimalField(decimal_places=4, max_digits=20)),
                ("currency", models.CharField(max_length=3)),
                (
                    "method",
                    models.CharField(
                        choices=[
                            ("transfer", "transfer"),
                            ("card", "card"),
                            ("cash", "cash"),
                            ("cheque", "cheque"),
                            ("other", "other"),
                        ],
                        db_default="transfer",
                        default="transfer",
                        max_length=10,
                    ),
                ),
                ("reference", models.CharField(blank=True, db_default="", default="", max_length=140)),
                ("external_id", models.CharField(blank=True, db_default="", default="", max_length=80)),
                ("recorded_at", models.DateTimeField()),
                ("recorded_by", models.UUIDField(null=True)),
            ],
        ),
        migrations.CreateModel(
            name="Preview",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("month", models.DateField()),
                ("cut_position", models.BigIntegerField()),
                ("made_at", models.DateTimeField()),
                ("made_by", models.UUIDField(null=True)),
                ("summary", models.JSONField()),
            ],
        ),
        migrations.CreateModel(
            name="PurchaseOrder",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("number", models.CharField(max_length=60)),
                ("starts_on", models.DateField()),
                ("ends_before", models.DateField(blank=True, null=True)),
                ("limit", models.DecimalField(blank=True, decimal_places=4, max_digits=20, null=True)),
                ("currency", models.CharField(max_length=3)),
            ],
        ),
        migrations.CreateModel(
            name="RoyaltyStatement",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("month", models.DateField()),
                ("issued_on", models.DateField()),
                ("currency", models.CharField(max_length=3)),
                ("base", models.DecimalField(decimal_places=4, max_digits=20)),
                ("carried_in", models.DecimalField(decimal_places=4, max_digits=20)),
                ("carried_out", models.DecimalField(decimal_places=4, max_digits=20)),
                ("royalty", models.DecimalField(decimal_places=4, max_digits=20)),
                ("fund", models.DecimalField(decimal_places=4, max_digits=20)),
                ("document", models.JSONField()),
                ("document_sha256", models.CharField(max_length=64)),
                ("previous_sha256", models.CharField(blank=True, max_length=64)),
            ],
        ),
        migrations.CreateModel(
            name="RoyaltyTerms",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("effective_from", models.DateField()),
                ("network_name", models.CharField(max_length=200)),
                (
                    "basis",
                    models.CharField(
                        choices=[("billed", "billed"), ("collected", "collected")], max_length=10
                    ),
                ),
                ("tiers", models.JSONField()),
                ("minimum", models.DecimalField(decimal_places=4, default=0, max_digits=20)),
                ("fund_percent", models.DecimalField(decimal_places=4, default=0, max_digits=7)),
                ("currency", models.CharField(max_length=3)),
            ],
        ),
        migrations.CreateModel(
            name="Sending",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("issue", "issue"),
                            ("again", "again"),
                            ("reminder", "reminder"),
                            ("statement", "statement"),
                            ("price_change", "price change"),
                        ],
                        max_length=12,
                    ),
                ),
                ("step", models.PositiveSmallIntegerField(default=0)),
                ("key", models.CharField(max_length=120)),
                ("to", models.EmailField(max_length=254)),
                ("subject", models.CharField(max_length=200)),
                ("owed_at", models.DateTimeField()),
                ("sent_at", models.DateTimeField(null=True)),
                ("failed", models.CharField(blank=True, db_default="", default="", max_length=200)),
                ("read_at", models.DateTimeField(null=True)),
            ],
        ),
        migrations.CreateModel(
            name="SiteBilling",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("tax_jurisdiction", models.CharField(blank=True, db_default="", default="", max_length=20)),
                ("cost_centre", models.CharField(blank=True, db_default="", default="", max_length=60)),
            ],
        ),
        migrations.CreateModel(
            name="TaxRate",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("jurisdiction", models.CharField(max_length=20)),
                (
                    "tax_class",
                    models.CharField(
                        choices=[
                            ("standard", "standard"),
                            ("reduced", "reduced"),
                            ("zero", "zero"),
                            ("exempt", "exempt"),
                        ],
                        max_length=10,
                    ),
                ),
                (
                    "category",
                    models.CharField(
                        choices=[
                            ("S", "S"),
                            ("Z", "Z"),
                            ("E", "E"),
                            ("AE", "AE"),
                            ("K", "K"),
                            ("G", "G"),
                            ("O", "O"),
                            ("L", "L"),
                            ("M", "M"),
                        ],
                        max_length=2,
                    ),
                ),
                ("rate", models.DecimalField(decimal_places=4, max_digits=7)),
                ("name", models.CharField(blank=True, db_default="", default="", max_length=60)),
                ("exemption_reason", models.CharField(blank=True, db_default="", default="", max_length=200)),
                ("effective_from", models.DateField()),
                ("effective_to", models.DateField(blank=True, null=True)),
            ],
        ),
        migrations.RemoveConstraint(
            model_name="priceversion",
            name="billing_priceversion_amount",
        ),
        migrations.RemoveConstraint(
            model_name="priceversion",
            name="billing_priceversion_no_overlap",
        ),
        migrations.AddField(
            model_name="charge",
            name="clause",
            field=models.CharField(blank=True, db_default="", default="", max_length=40),
        ),
        migrations.AddField(
            model_name="charge",
            name="contract_number",
            field=models.CharField(blank=True, db_default="", default="", max_length=30),
        ),
        migrations.AddField(
            model_name="charge",
            name="in_advance",
            field=models.BooleanField(db_default=False, default=False),
        ),
        migrations.AddField(
            model_name="charge",
            name="revenue_account",
            field=models.CharField(blank=True, db_default="", default="", max_length=20),
        ),
        migrations.AddField(
            model_name="charge",
            name="tax_class",
            field=models.CharField(db_default="standard", default="standard", max_length=10),
        ),
        migrations.AddField(
            model_name="charge",
            name="workings",
            field=models.JSONField(db_default={}, default=dict),
        ),
        migrations.AddField(
            model_name="document",
            name="corrects",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="billing.document",
            ),
        ),
        migrations.AddField(
            model_name="document",
            name="due_on",
            field=models.DateField(null=True),
        ),
        migrations.AddField(
            model_name="document",
            name="group",
            field=models.CharField(blank=True, db_default="", default="", max_length=64),
        ),
        migrations.AddField(
            model_name="document",
            name="kind",
            field=models.CharField(
                choices=[("invoice", "invoice"), ("credit_note", "credit note"), ("opening", "opening")],
                db_default="invoice",
                default="invoice",
                max_length=12,
            ),
        ),
        migrations.AddField(
            model_name="document",
            name="net",
            field=models.DecimalField(db_default=0, decimal_places=4, default=0, max_digits=20),
        ),
        migrations.AddField(
            model_name="document",
            name="po_number",
            field=models.CharField(blank=True, db_default="", default="", max_length=60),
        ),
        migrations.AddField(
            model_name="document",
            name="tax",
            field=models.DecimalField(db_default=0, decimal_places=4, default=0, max_digits=20),
        ),
        migrations.AddField(
            model_name="document",
            name="ubl",
            field=models.TextField(blank=True, db_default="", default=""),
        ),
        migrations.AddField(
            model_name="document",
            name="ubl_sha256",
            field=models.CharField(blank=True, db_default="", default="", max_length=64),
        ),
        migrations.AddField(
            model_name="documentline",
            name="credits",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="billing.documentline",
            ),
        ),
        migrations.AddField(
            model_name="documentline",
            name="tax_category",
            field=models.CharField(blank=True, db_default="", default="", max_length=2),
        ),
        migrations.AddField(
            model_name="documentline",
            name="tax_rate",
            field=models.DecimalField(db_default=0, decimal_places=4, default=0, max_digits=7),
        ),
        migrations.AddField(
            model_name="eventdisposition",
            name="clause",
            field=models.CharField(blank=True, db_default="", default="", max_length=40),
        ),
        migrations.AddField(
            model_name="eventdisposition",
            name="counter",
            field=models.CharField(blank=True, db_default="", default="", max_length=40),
        ),
        migrations.AddField(
            model_name="numberseries",
            name="kind",
            field=models.CharField(
                choices=[("invoice", "invoice"), ("credit_note", "credit note"), ("opening", "opening")],
                db_default="invoice",
                default="invoice",
                max_length=12,
            ),
        ),
        migrations.AddField(
            model_name="periodclose",
            name="held",
            field=models.JSONField(db_default=[], default=list),
        ),
        migrations.AddField(
            model_name="priceitem",
            name="revenue_account",
            field=models.CharField(blank=True, db_default="", default="", max_length=20),
        ),
        migrations.AddField(
            model_name="priceitem",
            name="tax_class",
            field=models.CharField(
                choices=[
                    ("standard", "standard"),
                    ("reduced", "reduced"),
                    ("zero", "zero"),
                    ("exempt", "exempt"),
                ],
                db_default="standard",
                default="standard",
                max_length=10,
            ),
        ),
        migrations.AddField(
            model_name="priceversion",
            name="announced_on",
            field=models.DateField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name="priceversion",
            name="index_base_month",
            field=models.DateField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name="priceversion",
            name="index_cap_percent",
            field=models.DecimalField(blank=True, decimal_places=3, max_digits=7, null=True),
        ),
        migrations.AddField(
            model_name="priceversion",
            name="index_code",
            field=models.CharField(blank=True, db_default="", default="", max_length=30),
        ),
        migrations.AddField(
            model_name="priceversion",
            name="index_decimals",
            field=models.PositiveSmallIntegerField(db_default=2, default=2),
        ),
        migrations.AddField(
            model_name="priceversion",
            name="index_floor_percent",
            field=models.DecimalField(blank=True, decimal_places=3, max_digits=7, null=True),
        ),
        migrations.AddField(
            model_name="priceversion",
            name="index_month",
            field=models.DateField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name="priceversion",
            name="prior_amount",
            field=models.DecimalField(blank=True, decimal_places=6, max_digits=20, null=True),
        ),
        migrations.AddField(
            model_name="priceversion",
            name="site",
            field=accounts.tenancy.TenantForeignKey(
                blank=True,
                db_constraint=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.site",
            ),
        ),
        migrations.AlterField(
            model_name="charge",
            name="agreement",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.serviceagreement",
            ),
        ),
        migrations.AlterField(
            model_name="charge",
            name="part",
            field=models.DecimalField(decimal_places=1, max_digits=8),
        ),
        migrations.AlterField(
            model_name="charge",
            name="price_version",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="billing.priceversion",
            ),
        ),
        migrations.AlterField(
            model_name="charge",
            name="rule",
            field=models.CharField(
                choices=[
                    ("event", "event"),
                    ("install", "install"),
                    ("unit_month", "unit month"),
                    ("site_month", "site month"),
                    ("extra_unit", "extra unit"),
                    ("visit", "visit"),
                    ("call_out", "call out"),
                    ("visit_minimum", "visit minimum"),
                    ("invoice_minimum", "invoice minimum"),
                    ("missed_service", "missed service"),
                    ("claw_back", "claw back"),
                ],
                max_length=16,
            ),
        ),
        migrations.AlterField(
            model_name="charge",
            name="site",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.site",
            ),
        ),
        migrations.AlterField(
            model_name="document",
            name="close",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="billing.periodclose",
            ),
        ),
        migrations.AlterField(
            model_name="document",
            name="number",
            field=models.CharField(max_length=40),
        ),
        migrations.AlterField(
            model_name="document",
            name="ordinal",
            field=models.PositiveIntegerField(null=True),
        ),
        migrations.AlterField(
            model_name="document",
            name="series",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="billing.numberseries",
            ),
        ),
        migrations.AlterField(
            model_name="documentline",
            name="charge",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="billing.charge",
            ),
        ),
        migrations.AlterField(
            model_name="eventdisposition",
            name="reason",
            field=models.CharField(
                blank=True,
                choices=[
                    ("", ""),
                    ("agreement", "agreement"),
                    ("already_installed", "already installed"),
                    ("before_prices", "before prices"),
                    ("clock_ahead", "clock ahead"),
                    ("contract_ended", "contract ended"),
                    ("counter_event", "counter event"),
                    ("in_fee", "in fee"),
                    ("inclusion", "inclusion"),
                    ("index_missing", "index missing"),
                    ("month_open", "month open"),
                    ("no_agreement", "no agreement"),
                    ("no_price", "no price"),
                    ("not_charged", "not charged"),
                    ("not_in_service", "not in service"),
                    ("replaced", "replaced"),
                    ("same_visit", "same visit"),
                    ("type_never_bills", "type never bills"),
                    ("unknown_station", "unknown station"),
                ],
                max_length=20,
            ),
        ),
        migrations.AlterField(
            model_name="numberseries",
            name="code",
            field=models.CharField(max_length=16),
        ),
        migrations.AlterField(
            model_name="priceitem",
            name="basis",
            field=models.CharField(
                choices=[
                    ("unit_month", "unit month"),
                    ("event", "event"),
                    ("install", "install"),
                    ("site_month", "site month"),
                    ("extra_unit", "extra unit"),
                    ("visit", "visit"),
                    ("call_out", "call out"),
                ],
                max_length=12,
            ),
        ),
        migrations.AlterField(
            model_name="priceversion",
            name="amount",
            field=models.DecimalField(blank=True, decimal_places=6, max_digits=20, null=True),
        ),
        migrations.AddIndex(
            model_name="documentline",
            index=models.Index(
                condition=models.Q(("credits", None), _negated=True),
                fields=["operator", "credits"],
                name="billing_documentline_credits",
            ),
        ),
        migrations.AddConstraint(
            model_name="documentline",
            constraint=models.UniqueConstraint(
                fields=("operator", "document", "line"), name="billing_documentline_line"
            ),
        ),
        migrations.AddConstraint(
            model_name="documentline",
            constraint=models.UniqueConstraint(
                fields=("operator", "charge"), name="billing_documentline_charge"
            ),
        ),
        migrations.AddField(
            model_name="allocation",
            name="credit_note",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="billing.document",
            ),
        ),
        migrations.AddField(
            model_name="allocation",
            name="document",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="billing.document",
            ),
        ),
        migrations.AddField(
            model_name="allocation",
            name="operator",
            field=models.ForeignKey(
                default=accounts.tenancy.scope_operator_id,
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.operator",
            ),
        ),
        migrations.AddField(
            model_name="billingprofile",
            name="bill_to",
            field=accounts.tenancy.TenantForeignKey(
                blank=True,
                db_constraint=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.customer",
            ),
        ),
        migrations.AddField(
            model_name="billingprofile",
            name="customer",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.customer",
            ),
        ),
        migrations.AddField(
            model_name="billingprofile",
            name="operator",
            field=models.ForeignKey(
                default=accounts.tenancy.scope_operator_id,
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.operator",
            ),
        ),
        migrations.AddField(
            model_name="closeinputs",
            name="close",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="billing.periodclose",
            ),
        ),
        migrations.AddField(
            model_name="closeinputs",
            name="operator",
            field=models.ForeignKey(
                default=accounts.tenancy.scope_operator_id,
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.operator",
            ),
        ),
        migrations.AddField(
            model_name="contract",
            name="customer",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.customer",
            ),
        ),
        migrations.AddField(
            model_name="contract",
            name="operator",
            field=models.ForeignKey(
                default=accounts.tenancy.scope_operator_id,
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.operator",
            ),
        ),
        migrations.AddField(
            model_name="charge",
            name="contract",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="billing.contract",
            ),
        ),
        migrations.AddField(
            model_name="priceversion",
            name="contract",
            field=accounts.tenancy.TenantForeignKey(
                blank=True,
                db_constraint=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="billing.contract",
            ),
        ),
        migrations.AddConstraint(
            model_name="priceversion",
            constraint=models.CheckConstraint(
                condition=models.Q(("amount", None), ("amount__gte", 0), _connector="OR"),
                name="billing_priceversion_amount",
            ),
        ),
        migrations.AddConstraint(
            model_name="priceversion",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("amount__isnull", False),
                    models.Q(
                        models.Q(("index_code", ""), _negated=True),
                        ("prior_amount__isnull", False),
                        ("index_base_month__isnull", False),
                        ("index_month__isnull", False),
                    ),
                    _connector="OR",
                ),
                name="billing_priceversion_index",
            ),
        ),
        migrations.AddConstraint(
            model_name="priceversion",
            constraint=models.CheckConstraint(
                condition=models.Q(("site", None), ("contract__isnull", False), _connector="OR"),
                name="billing_priceversion_scope",
            ),
        ),
        migrations.AddConstraint(
            model_name="priceversion",
            constraint=django.contrib.postgres.constraints.ExclusionConstraint(
                expressions=[
                    ("operator", "="),
                    ("item", "="),
                    (
                        django.db.models.functions.comparison.Coalesce(
                            "contract",
                            models.Value("00000000-0000-0000-0000-000000000000", models.UUIDField()),
                        ),
                        "=",
                    ),
                    (
                        django.db.models.functions.comparison.Coalesce(
                            "site", models.Value("00000000-0000-0000-0000-000000000000", models.UUIDField())
                        ),
                        "=",
                    ),
                    (
                        models.Func(
                            models.F("effective_from"),
                            models.F("effective_to"),
                            django.contrib.postgres.fields.ranges.RangeBoundary(),
                            function="daterange",
                            output_field=django.contrib.postgres.fields.ranges.DateRangeField(),
                        ),
                        "&&",
                    ),
                ],
                name="billing_priceversion_no_overlap",
            ),
        ),
        migrations.AddField(
            model_name="contractrenewal",
            name="contract",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="billing.contract",
            ),
        ),
        migrations.AddField(
            model_name="contractrenewal",
            name="operator",
            field=models.ForeignKey(
                default=accounts.tenancy.scope_operator_id,
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.operator",
            ),
        ),
        migrations.AddField(
            model_name="contractsite",
            name="contract",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="billing.contract",
            ),
        ),
        migrations.AddField(
            model_name="contractsite",
            name="operator",
            field=models.ForeignKey(
                default=accounts.tenancy.scope_operator_id,
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.operator",
            ),
        ),
        migrations.AddField(
            model_name="contractsite",
            name="site",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.site",
            ),
        ),
        migrations.AddField(
            model_name="contractterms",
            name="contract",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="billing.contract",
            ),
        ),
        migrations.AddField(
            model_name="contractterms",
            name="operator",
            field=models.ForeignKey(
                default=accounts.tenancy.scope_operator_id,
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.operator",
            ),
        ),
        migrations.AddField(
            model_name="indexfigure",
            name="operator",
            field=models.ForeignKey(
                default=accounts.tenancy.scope_operator_id,
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.operator",
            ),
        ),
        migrations.AddField(
            model_name="journalentry",
            name="customer",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.customer",
            ),
        ),
        migrations.AddField(
            model_name="journalentry",
            name="document",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="billing.document",
            ),
        ),
        migrations.AddField(
            model_name="journalentry",
            name="operator",
            field=models.ForeignKey(
                default=accounts.tenancy.scope_operator_id,
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.operator",
            ),
        ),
        migrations.AddField(
            model_name="journalline",
            name="entry",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="billing.journalentry",
            ),
        ),
        migrations.AddField(
            model_name="journalline",
            name="operator",
            field=models.ForeignKey(
                default=accounts.tenancy.scope_operator_id,
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.operator",
            ),
        ),
        migrations.AddField(
            model_name="journalline",
            name="site",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.site",
            ),
        ),
        migrations.AddField(
            model_name="legalentity",
            name="operator",
            field=models.ForeignKey(
                default=accounts.tenancy.scope_operator_id,
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.operator",
            ),
        ),
        migrations.AddField(
            model_name="journalentry",
            name="legal_entity",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="billing.legalentity",
            ),
        ),
        migrations.AddField(
            model_name="contract",
            name="legal_entity",
            field=accounts.tenancy.TenantForeignKey(
                blank=True,
                db_constraint=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="billing.legalentity",
            ),
        ),
        migrations.AddField(
            model_name="document",
            name="legal_entity",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="billing.legalentity",
            ),
        ),
        migrations.AddField(
            model_name="numberseries",
            name="legal_entity",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="billing.legalentity",
            ),
        ),
        migrations.AddIndex(
            model_name="document",
            index=models.Index(fields=["operator", "customer"], name="billing_document_customer"),
        ),
        migrations.AddIndex(
            model_name="document",
            index=models.Index(
                condition=models.Q(("corrects", None), _negated=True),
                fields=["operator", "corrects"],
                name="billing_document_corrects_ix",
            ),
        ),
        migrations.AddConstraint(
            model_name="document",
            constraint=models.UniqueConstraint(fields=("operator", "number"), name="billing_document_number"),
        ),
        migrations.AddConstraint(
            model_name="document",
            constraint=models.UniqueConstraint(
                fields=("operator", "series", "ordinal"), name="billing_document_ordinal"
            ),
        ),
        migrations.AddConstraint(
            model_name="document",
            constraint=models.UniqueConstraint(
                fields=("operator", "close", "customer", "currency", "kind", "group"),
                name="billing_document_once",
            ),
        ),
        migrations.AddConstraint(
            model_name="document",
            constraint=models.CheckConstraint(
                condition=models.Q(("total__gte", 0)), name="billing_document_not_negative"
            ),
        ),
        migrations.AddConstraint(
            model_name="document",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("kind", "opening"), ("series", None)),
                    models.Q(models.Q(("kind", "opening"), _negated=True), ("series__isnull", False)),
                    _connector="OR",
                ),
                name="billing_document_series",
            ),
        ),
        migrations.AddConstraint(
            model_name="document",
            constraint=models.CheckConstraint(
                condition=models.Q(("corrects", None), ("kind", "credit_note"), _connector="OR"),
                name="billing_document_corrects",
            ),
        ),
        migrations.AddField(
            model_name="payment",
            name="customer",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.customer",
            ),
        ),
        migrations.AddField(
            model_name="payment",
            name="legal_entity",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="billing.legalentity",
            ),
        ),
        migrations.AddField(
            model_name="payment",
            name="operator",
            field=models.ForeignKey(
                default=accounts.tenancy.scope_operator_id,
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.operator",
            ),
        ),
        migrations.AddField(
            model_name="journalentry",
            name="payment",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="billing.payment",
            ),
        ),
        migrations.AddField(
            model_name="allocation",
            name="payment",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="billing.payment",
            ),
        ),
        migrations.AddField(
            model_name="preview",
            name="operator",
            field=models.ForeignKey(
                default=accounts.tenancy.scope_operator_id,
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.operator",
            ),
        ),
        migrations.AddField(
            model_name="purchaseorder",
            name="customer",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.customer",
            ),
        ),
        migrations.AddField(
            model_name="purchaseorder",
            name="operator",
            field=models.ForeignKey(
                default=accounts.tenancy.scope_operator_id,
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.operator",
            ),
        ),
        migrations.AddField(
            model_name="purchaseorder",
            name="site",
            field=accounts.tenancy.TenantForeignKey(
                blank=True,
                db_constraint=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.site",
            ),
        ),
        migrations.AddField(
            model_name="royaltystatement",
            name="operator",
            field=models.ForeignKey(
                default=accounts.tenancy.scope_operator_id,
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.operator",
            ),
        ),
        migrations.AddField(
            model_name="royaltyterms",
            name="operator",
            field=models.ForeignKey(
                default=accounts.tenancy.scope_operator_id,
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.operator",
            ),
        ),
        migrations.AddField(
            model_name="royaltystatement",
            name="terms",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="billing.royaltyterms",
            ),
        ),
        migrations.AddField(
            model_name="sending",
            name="customer",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.customer",
            ),
        ),
        migrations.AddField(
            model_name="sending",
            name="document",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="billing.document",
            ),
        ),
        migrations.AddField(
            model_name="sending",
            name="operator",
            field=models.ForeignKey(
                default=accounts.tenancy.scope_operator_id,
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.operator",
            ),
        ),
        migrations.AddField(
            model_name="sitebilling",
            name="operator",
            field=models.ForeignKey(
                default=accounts.tenancy.scope_operator_id,
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.operator",
            ),
        ),
        migrations.AddField(
            model_name="sitebilling",
            name="site",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.site",
            ),
        ),
        migrations.AddField(
            model_name="taxrate",
            name="operator",
            field=models.ForeignKey(
                default=accounts.tenancy.scope_operator_id,
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.operator",
            ),
        ),
        migrations.AddConstraint(
            model_name="billingprofile",
            constraint=models.UniqueConstraint(
                fields=("operator", "customer"), name="billing_billingprofile_customer"
            ),
        ),
        migrations.AddConstraint(
            model_name="billingprofile",
            constraint=models.CheckConstraint(
                condition=models.Q(("invoice_minimum", None), ("invoice_minimum__gte", 0), _connector="OR"),
                name="billing_billingprofile_minimum",
            ),
        ),
        migrations.AddConstraint(
            model_name="closeinputs",
            constraint=models.UniqueConstraint(
                fields=("operator", "close", "part"), name="billing_closeinputs_part"
            ),
        ),
        migrations.AddConstraint(
            model_name="contractrenewal",
            constraint=models.UniqueConstraint(
                fields=("operator", "contract", "starts_on"), name="billing_contractrenewal_once"
            ),
        ),
        migrations.AddConstraint(
            model_name="contractsite",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("ends_before", None), ("ends_before__gt", models.F("starts_on")), _connector="OR"
                ),
                name="billing_contractsite_dates",
            ),
        ),
        migrations.AddConstraint(
            model_name="contractsite",
            constraint=django.contrib.postgres.constraints.ExclusionConstraint(
                expressions=[
                    ("operator", "="),
                    ("site", "="),
                    (
                        models.Func(
                            models.F("starts_on"),
                            models.F("ends_before"),
                            django.contrib.postgres.fields.ranges.RangeBoundary(),
                            function="daterange",
                            output_field=django.contrib.postgres.fields.ranges.DateRangeField(),
                        ),
                        "&&",
                    ),
                ],
                name="billing_contractsite_no_overlap",
            ),
        ),
        migrations.AddConstraint(
            model_name="contractterms",
            constraint=models.UniqueConstraint(
                fields=("operator", "contract", "effective_from"), name="billing_contractterms_from"
            ),
        ),
        migrations.AddConstraint(
            model_name="contractterms",
            constraint=models.CheckConstraint(
                condition=models.Q(("cycle_months__in", (1, 3, 6, 12))), name="billing_contractterms_cycle"
            ),
        ),
        migrations.AddConstraint(
            model_name="contractterms",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("visit_minimum", None), ("visit_minimum__gte", 0), _connector="OR"),
                    models.Q(("invoice_minimum", None), ("invoice_minimum__gte", 0), _connector="OR"),
                ),
                name="billing_contractterms_minimum",
            ),
        ),
        migrations.AddConstraint(
            model_name="indexfigure",
            constraint=models.UniqueConstraint(
                fields=("operator", "code", "month"), name="billing_indexfigure_once"
            ),
        ),
        migrations.AddConstraint(
            model_name="indexfigure",
            constraint=models.CheckConstraint(
                condition=models.Q(("value__gt", 0)), name="billing_indexfigure_value"
            ),
        ),
        migrations.AddConstraint(
            model_name="indexfigure",
            constraint=models.CheckConstraint(
                condition=models.Q(("month__day", 1)), name="billing_indexfigure_month"
            ),
        ),
        migrations.AddConstraint(
            model_name="journalline",
            constraint=models.UniqueConstraint(
                fields=("operator", "entry", "line"), name="billing_journalline_line"
            ),
        ),
        migrations.AddConstraint(
            model_name="journalline",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("credit", 0), ("debit__gte", 0)),
                    models.Q(("credit__gte", 0), ("debit", 0)),
                    _connector="OR",
                ),
                name="billing_journalline_one_side",
            ),
        ),
        migrations.AddConstraint(
            model_name="legalentity",
            constraint=models.UniqueConstraint(fields=("operator", "code"), name="billing_legalentity_code"),
        ),
        migrations.AddConstraint(
            model_name="legalentity",
            constraint=models.UniqueConstraint(
                condition=models.Q(("is_default", True)),
                fields=("operator",),
                name="billing_legalentity_one_default",
            ),
        ),
        migrations.AddConstraint(
            model_name="legalentity",
            constraint=models.CheckConstraint(
                condition=models.Q(("cash_rounding__gte", 0)), name="billing_legalentity_cash_rounding"
            ),
        ),
        migrations.AddConstraint(
            model_name="contract",
            constraint=models.UniqueConstraint(fields=("operator", "number"), name="billing_contract_number"),
        ),
        migrations.AddConstraint(
            model_name="contract",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("ends_before", None), ("ends_before__gt", models.F("starts_on")), _connector="OR"
                ),
                name="billing_contract_dates",
            ),
        ),
        migrations.AddIndex(
            model_name="payment",
            index=models.Index(fields=["operator", "customer"], name="billing_payment_customer"),
        ),
        migrations.AddConstraint(
            model_name="payment",
            constraint=models.CheckConstraint(
                condition=models.Q(("amount__gt", 0)), name="billing_payment_amount"
            ),
        ),
        migrations.AddConstraint(
            model_name="payment",
            constraint=models.UniqueConstraint(
                condition=models.Q(("external_id", ""), _negated=True),
                fields=("operator", "external_id"),
                name="billing_payment_external_id",
            ),
        ),
        migrations.AddIndex(
            model_name="journalentry",
            index=models.Index(fields=["operator", "entry_on"], name="billing_journalentry_on"),
        ),
        migrations.AddConstraint(
            model_name="journalentry",
            constraint=models.UniqueConstraint(fields=("operator", "key"), name="billing_journalentry_key"),
        ),
        migrations.AddConstraint(
            model_name="journalentry",
            constraint=models.UniqueConstraint(
                fields=("operator", "ordinal"), name="billing_journalentry_ordinal"
            ),
        ),
        migrations.AddIndex(
            model_name="allocation",
            index=models.Index(fields=["operator", "document"], name="billing_allocation_document"),
        ),
        migrations.AddIndex(
            model_name="allocation",
            index=models.Index(fields=["operator", "payment"], name="billing_allocation_payment"),
        ),
        migrations.AddConstraint(
            model_name="allocation",
            constraint=models.CheckConstraint(
                condition=models.Q(("amount__gt", 0)), name="billing_allocation_amount"
            ),
        ),
        migrations.AddConstraint(
            model_name="allocation",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("credit_note__isnull", False), ("payment", None)),
                    models.Q(("credit_note", None), ("payment__isnull", False)),
                    _connector="OR",
                ),
                name="billing_allocation_source",
            ),
        ),
        migrations.AddIndex(
            model_name="preview",
            index=models.Index(fields=["operator", "month", "made_at"], name="billing_preview_latest"),
        ),
        migrations.AddConstraint(
            model_name="purchaseorder",
            constraint=models.UniqueConstraint(
                fields=("operator", "customer", "number"), name="billing_purchaseorder_number"
            ),
        ),
        migrations.AddConstraint(
            model_name="purchaseorder",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("ends_before", None), ("ends_before__gt", models.F("starts_on")), _connector="OR"
                ),
                name="billing_purchaseorder_dates",
            ),
        ),
        migrations.AddConstraint(
            model_name="purchaseorder",
            constraint=models.CheckConstraint(
                condition=models.Q(("limit", None), ("limit__gte", 0), _connector="OR"),
                name="billing_purchaseorder_limit",
            ),
        ),
        migrations.AddConstraint(
            model_name="royaltyterms",
            constraint=models.UniqueConstraint(
                fields=("operator", "effective_from"), name="billing_royaltyterms_from"
            ),
        ),
        migrations.AddConstraint(
            model_name="royaltyterms",
            constraint=models.CheckConstraint(
                condition=models.Q(("effective_from__day", 1)), name="billing_royaltyterms_month"
            ),
        ),
        migrations.AddConstraint(
            model_name="royaltystatement",
            constraint=models.UniqueConstraint(
                fields=("operator", "month"), name="billing_royaltystatement_month"
            ),
        ),
        migrations.AddConstraint(
            model_name="royaltystatement",
            constraint=models.CheckConstraint(
                condition=models.Q(("month__day", 1)), name="billing_royaltystatement_first_day"
            ),
        ),
        migrations.AddIndex(
            model_name="sending",
            index=models.Index(fields=["operator", "document"], name="billing_sending_document"),
        ),
        migrations.AddConstraint(
            model_name="sending",
            constraint=models.UniqueConstraint(fields=("operator", "key"), name="billing_sending_key"),
        ),
        migrations.AddConstraint(
            model_name="sitebilling",
            constraint=models.UniqueConstraint(fields=("operator", "site"), name="billing_sitebilling_site"),
        ),
        migrations.AddConstraint(
            model_name="taxrate",
            constraint=models.CheckConstraint(
                condition=models.Q(("rate__gte", 0), ("rate__lte", 100)), name="billing_taxrate_rate"
            ),
        ),
        migrations.AddConstraint(
            model_name="taxrate",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("effective_to", None), ("effective_to__gt", models.F("effective_from")), _connector="OR"
                ),
                name="billing_taxrate_dates",
            ),
        ),
        migrations.AddConstraint(
            model_name="taxrate",
            constraint=django.contrib.postgres.constraints.ExclusionConstraint(
                expressions=[
                    ("operator", "="),
                    ("jurisdiction", "="),
                    ("tax_class", "="),
                    (
                        models.Func(
                            models.F("effective_from"),
                            models.F("effective_to"),
                            django.contrib.postgres.fields.ranges.RangeBoundary(),
                            function="daterange",
                            output_field=django.contrib.postgres.fields.ranges.DateRangeField(),
                        ),
                        "&&",
                    ),
                ],
                name="billing_taxrate_no_overlap",
            ),
        ),
        accounts.tenancy.Isolate(
            "BillingProfile",
            "Contract",
            "ContractSite",
            "ContractTerms",
            "LegalEntity",
            "PurchaseOrder",
            "RoyaltyTerms",
            "Sending",
            "SiteBilling",
            "TaxRate",
            app="SELECT, INSERT, UPDATE",
        ),
        accounts.tenancy.Isolate(*ADDED_TO, app="SELECT, INSERT"),
        migrations.RunSQL(REFERENCES_SQL, migrations.RunSQL.noop),
        migrations.RunSQL(GUARD_SQL, migrations.RunSQL.noop),
        migrations.RunSQL(NET_SQL, migrations.RunSQL.noop),
    ]
