from django.db import migrations

TRIGGERS_SQL = "".join(
    f"ALTER TRIGGER {old}_{what} ON {new} RENAME TO {new}_{what};"
    for old, new in (
        ("billing_invoice", "billing_document"),
        ("billing_invoiceline", "billing_documentline"),
    )
    for what in ("no_change", "no_truncate")
)


class Migration(migrations.Migration):
    """Invoices become documents, of which an invoice is one kind. Tables keep their rows, policies and triggers."""

    dependencies = [("billing", "0001_initial")]

    operations = [
        migrations.RemoveConstraint("invoice", "billing_invoice_once"),
        migrations.RemoveConstraint("invoice", "billing_invoice_number"),
        migrations.RemoveConstraint("invoice", "billing_invoice_ordinal"),
        migrations.RemoveConstraint("invoice", "billing_invoice_not_negative"),
        migrations.RemoveIndex("invoice", "billing_invoice_customer"),
        migrations.RemoveConstraint("invoiceline", "billing_invoiceline_line"),
        migrations.RemoveConstraint("invoiceline", "billing_invoiceline_charge"),
        migrations.RenameModel("Invoice", "Document"),
        migrations.RenameModel("InvoiceLine", "DocumentLine"),
        migrations.RenameField("documentline", "invoice", "document"),
        migrations.RunSQL(TRIGGERS_SQL, migrations.RunSQL.noop),
    ]
