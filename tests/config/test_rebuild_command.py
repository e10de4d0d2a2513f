"""``manage.py rebuild --check`` speaks for every operator: fine when nothing differs, exit status 1 when a row does."""

from __future__ import annotations

import psycopg
import pytest
from django.core.management import CommandError, call_command


def test_the_check_names_a_changed_row_and_a_rebuild_mends_it(north, servers, capsys):
    north.upload(north.installed(), north.exchanged())
    call_command("rebuild", "--check", "--operator", north.operator.slug)
    assert "Everything derived equals" in capsys.readouterr().out
    with psycopg.connect(servers.superuser_url) as connection:
        connection.execute(
            "UPDATE servicing_unitstate SET status = 'down' WHERE operator_id = %s", [north.operator.id]
        )

    with pytest.raises(CommandError):
        call_command("rebuild", "--check", "--operator", north.operator.slug)
    assert "servicing_unitstate" in capsys.readouterr().out

    call_command("rebuild", "--operator", north.operator.slug)
    assert "Everything derived equals" in capsys.readouterr().out
