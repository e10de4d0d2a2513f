"""What is not written out when an operator takes everything along, each with why. All else of its tables is."""

from __future__ import annotations

# Whole tables.
TABLES: dict[str, str] = {
    "accounts_job": "what the product still owes itself or has done; its effects are in the other tables",
    "accounts_workfile": "files sent to be imported, kept for some weeks; what was made of them is in the other tables",
    "accounts_keptanswer": "answers kept for a week so that sending a request again does nothing; sealed",
    "accounts_clienttoken": "tokens of programs, which end within minutes; digests only",
    "servicing_checkpoint": "how far the product has read its own log",
    "servicing_pulse": "how often pages were told to look again",
}

_CREDENTIAL = "the digest of a credential, which would let nobody in and says nothing"
# Columns of tables that are written out.
COLUMNS: dict[tuple[str, str], str] = {
    ("accounts_accesstoken", "digest"): _CREDENTIAL,
    ("accounts_clientsecret", "digest"): _CREDENTIAL,
    ("servicing_recordlink", "digest"): _CREDENTIAL,
    ("accounts_machineclient", "client_secret"): "unused by the product, and empty",
    ("billing_webhookendpoint", "secret"): "a signing secret, sealed by a key of the service",
    ("billing_webhookendpoint", "secret_before"): "a signing secret, sealed by a key of the service",
    ("servicing_entrysecret", "sealed"): "an entry code is shown to nobody but the crew on its day",
    ("servicing_personkey", "wrapped_key"): "a key, wrapped by a key of the service",
    ("servicing_personaltext", "ciphertext"): "encrypted; what can be read is in texts/people.csv",
    ("servicing_photo", "content"): "the picture is a file under photos/",
    ("fleet_safetysheet", "content"): "the sheet is a file under safety-sheets/",
    ("billing_document", "document"): "a file under documents/, byte for byte as it was sealed",
    ("billing_document", "ubl"): "a file under documents/, where the document has an e-invoice",
}
