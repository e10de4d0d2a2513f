"""Acts and actors of the audit, in words."""

from __future__ import annotations

from accounts.languages import N_

# Acts by their names. {who} did it, {label} is the row it was done to; the rest stands in the entry.
ACTS = {
    "added": N_("{who} added the {kind} {label}"),
    "changed": N_("{who} changed the {kind} {label}: {columns}"),
    "removed": N_("{who} removed the {kind} {label}"),
    "browser_forgotten": N_("{who} had a browser forgotten"),
    "exported": N_("{who} took along as a file: {kind}"),
    "job_given_up": N_("{who} gave up work that had failed: {label}"),
    "job_tried_again": N_("{who} had work tried again that had failed: {label}"),
    "looked": N_("{who} of the service looked at the page {row}"),
    "password_changed": N_("{who} changed their password"),
    "password_reset": N_("{who} chose a new password by mail"),
    "password_set": N_("{who} set a new password for {label}"),
    "recovery_code_used": N_("{who} used a recovery code"),
    "recovery_codes_renewed": N_("{who} made new recovery codes"),
    "second_factor_removed": N_("{who} removed their second factor"),
    "second_factor_reset": N_("{who} reset the second factor of {label}"),
    "second_factor_set_up": N_("{who} set up a second factor"),
    "sessions_ended": N_("{who} ended where they were signed in"),
    "shown": N_("{who} was shown: {kind} {label}"),
    "signed_in": N_("{who} signed in"),
}
# An act of another name is told by that name.
OTHER_ACT = N_("{who}, {act}: {kind} {label}")
# Who acted, by the kind of actor.
ACTORS = {
    "client": N_("the program {name}"),
    "database": N_("the database role {name}"),
    "device": N_("the phone {name}"),
    "member": "{name}",
    "support": "{name}",
    "system": "{name}",
}
