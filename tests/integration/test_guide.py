"""docs/api.md as it stands: its files are written, its commands run in their order, against a served operator with books."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest
from standardwebhooks.webhooks import Webhook

from accounts.commands import clients
from tests.api.callers import live
from tests.billing.books import MAY, close
from tests.integration.serving import served

GUIDE = Path(__file__).resolve().parents[2] / "docs" / "api.md"
SCOPES = re.compile(r"`([a-z]+:[a-z]+)`")


def blocks():
    """Language and text of each block of code, in order."""
    return re.findall(r"^```(\w+)\n(.*?)^```$", GUIDE.read_text(), re.MULTILINE | re.DOTALL)


def written(folder):
    """The guide's files in a folder, and its commands as one script."""
    script = ["set -euo pipefail"]
    for language, text in blocks():
        if language == "python":
            name = re.match(r"# ([a-z]+\.py)\n", text)[1]
            (folder / name).write_text(text)
        else:
            script.append(text)
    return "\n".join(script)


@pytest.fixture
def program(north):
    """An operator with books, and a program with the scopes that the guide names."""
    live(north)
    close(north, MAY)
    table = GUIDE.read_text().split("## 2.")[0]
    return clients.make_client(actor=north.owner, name="Guide", scopes=sorted(set(SCOPES.findall(table))))


@pytest.mark.skipif(shutil.which("curl") is None, reason="curl is not on this machine")
def test_the_guide_runs_as_it_stands(servers, program, tmp_path):
    client, secret = program
    script = written(tmp_path)
    with served(servers, tmp_path / "web.log") as address:
        done = subprocess.run(
            ["bash", "-c", script],
            cwd=tmp_path,
            env={
                "PATH": f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}",
                "HOME": str(tmp_path),
                "LANG": "C.UTF-8",
                "WICKROUND_URL": address,
                "WICKROUND_CLIENT_ID": client.client_id,
                "WICKROUND_CLIENT_SECRET": secret,
            },
            capture_output=True,
            text=True,
            check=False,
            timeout=500,
        )

    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count("The books agree") == 2
    assert "is paid." in done.stdout
    assert "begins with whsec_" in done.stdout


def test_the_guides_receiver_knows_what_another_library_signed(tmp_path):
    written(tmp_path)
    space = {}
    exec((tmp_path / "receive.py").read_text(), space)
    # Secret and id: the example of Standard Webhooks; the signature is made by its own library.
    secret, message, body = (
        "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw",
        "msg_p5jXN8AQM9LWM0D4loKWxJek",
        '{"test": 1}',
    )
    at = time.time()
    signature = Webhook(secret).sign(message, datetime.fromtimestamp(int(at), UTC), body)
    headers = {
        "webhook-id": message,
        "webhook-timestamp": str(int(at)),
        "webhook-signature": f"v1,AAAA {signature}",
    }

    assert space["is_ours"](headers, body.encode(), secret)
    assert not space["is_ours"](headers, b'{"test": 2}', secret)
    assert not space["is_ours"]({**headers, "webhook-timestamp": str(int(at) - 301)}, body.encode(), secret)
