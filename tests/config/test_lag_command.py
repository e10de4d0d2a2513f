"""``manage.py lag`` names each operator's distance from the log; nothing is behind while uploads fold what they append."""

from __future__ import annotations

import pytest
from django.core.management import CommandError, call_command

from servicing.commands import rebuilds


def test_nothing_is_behind_after_an_upload_and_what_is_behind_is_counted(north, superuser, capsys):
    north.upload(north.installed(), north.exchanged())
    head = superuser.execute(
        "SELECT max(position) FROM servicing_event WHERE operator_id = %s", [north.operator.id]
    ).fetchone()[0]

    call_command("lag", "--operator", north.operator.slug)
    at_once = capsys.readouterr().out
    superuser.execute(
        "UPDATE servicing_checkpoint SET position = position - 1 WHERE operator_id = %s", [north.operator.id]
    )
    with pytest.raises(CommandError, match="not yet folded: 1 event"):
        call_command("lag", "--operator", north.operator.slug)
    later = capsys.readouterr().out

    assert f"{north.operator.slug}: log at {head}, folded to {head}, 0 events behind\n" in at_once
    assert f"log at {head}, folded to {head - 1}, 1 event behind, the oldest since " in later


def test_it_says_which_version_is_live_and_whether_this_code_made_it(north, superuser, capsys):
    version = rebuilds.rebuild_all().version
    call_command("lag", "--operator", north.operator.slug)
    assert f"Version {version} is live since " in (own := capsys.readouterr().out)
    assert "made by this code." in own
    superuser.execute("UPDATE servicing_projectionversion SET code_hash = 'other' WHERE state = 'live'")
    call_command("lag", "--operator", north.operator.slug)
    assert "made by other code than this; rebuild it." in capsys.readouterr().out
    superuser.execute("UPDATE servicing_projectionversion SET code_hash = '' WHERE state = 'live'")

    call_command("lag", "--operator", north.operator.slug)

    assert "folded upload by upload and never rebuilt." in capsys.readouterr().out


def test_an_operator_that_is_not_there_is_refused(database):
    with pytest.raises(CommandError, match="no operator with the address /nowhere/"):
        call_command("lag", "--operator", "nowhere")
