"""Proving an event to somebody who has nothing of ours but an anchor: the page's own script, run by itself."""

from __future__ import annotations

import copy
import hashlib
import json
import re
import subprocess
import sys
from pathlib import Path
from uuid import UUID, uuid4

import pytest
from django.core.management import CommandError, call_command

from accounts import tenancy
from accounts.errors import Conflict
from accounts.permissions import system_actor
from servicing.commands.seals import seal
from servicing.queries import seals
from tests.api.callers import signed_in

PROOF_PAGE = Path(__file__).resolve().parents[2] / "docs" / "proof.md"


def plainly(value):
    """The canonical form by the standard library."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()


@pytest.fixture
def script(tmp_path):
    """The script of the page, run by itself on a proof and an anchor: its exit status and what it says."""
    (source,) = re.findall(r"^```python\n(.*?)^```$", PROOF_PAGE.read_text(), re.MULTILINE | re.DOTALL)
    assert len(source.splitlines()) <= 40
    (tmp_path / "check.py").write_text(source)

    def run(proof, anchor):
        for name, value in (("proof", proof), ("anchor", anchor)):
            (tmp_path / f"{name}.json").write_text(json.dumps(value))
        done = subprocess.run(
            [sys.executable, "-I", "check.py", "proof.json", "anchor.json"],
            cwd=tmp_path,
            capture_output=True,
            text=True,
            check=False,
        )
        return done.returncode, done.stdout + done.stderr

    return run


@pytest.fixture
def proven(north):
    """A proof of one event of a block of nine with two seals after it, and the anchor of the newest."""
    events = [north.exchanged() for _ in range(9)]
    north.upload(*events)
    seal(actor=north.owner, at_once=True)
    for _ in range(2):
        north.upload(north.exchanged())
        seal(actor=north.owner, at_once=True)
    owner = signed_in(north)
    proofs = [owner.read(f"service-events/{events[n]['id']}/proof").json() for n in (4, 5)]
    with tenancy.reading(system_actor(north.operator.id)):
        return proofs[0], proofs[1], seals.get_anchor()


def test_the_pages_script_accepts_a_proof_and_says_what_was_recorded(script, proven):
    proof, _, anchor = proven

    status, said = script(proof, anchor)

    assert status == 0, said
    assert said.startswith("PROVEN, in seal 1: {")
    assert f'"event_id": "{proof["event"]["event_id"]}"' in said


def test_an_earlier_anchor_will_do_as_long_as_it_reaches_the_block(script, proven):
    proof, _, anchor = proven
    first = proof["seals"][0]
    earlier = {"operator_id": first["operator_id"], "number": 1, "seal_hash": first["seal_hash"]}

    assert script(proof, earlier)[0] == 0
    assert script({**proof, "seals": proof["seals"][1:]}, anchor)[0] == 1


def falsified(proof, other, change):
    made = copy.deepcopy(proof)
    change(made, other)
    return made


@pytest.mark.parametrize(
    "change",
    [
        lambda proof, _: proof["event"]["payload"].update(cartridge_left_ml=41),
        lambda proof, _: proof["event"].update(occurred_at="2026-06-14T12:00:00+00:00"),
        lambda proof, _: proof["event"].update(note="more"),
        lambda proof, _: proof["event"].pop("corrects"),
        lambda proof, other: proof.update(event=other["event"]),
        lambda proof, other: proof.update(path=other["path"]),
        lambda proof, _: proof["path"].reverse(),
        lambda proof, _: proof["path"].pop(),
        lambda proof, _: proof["path"].append("00" * 32),
        lambda proof, _: proof.update(index=5),
        lambda proof, _: proof.update(index=-1),
        lambda proof, _: proof.update(index=9),
        lambda proof, _: proof["seals"][0].update(root="00" * 32),
        lambda proof, _: proof["seals"][0].update(count=8),
        lambda proof, _: proof["seals"][1].update(previous_hash="00" * 32),
        lambda proof, _: proof["seals"].pop(1),
        lambda proof, _: proof["seals"].pop(),
        lambda proof, _: proof.update(seals=[]),
    ],
)
def test_the_pages_script_refuses_a_falsified_proof(script, proven, change):
    proof, other, anchor = proven

    status, said = script(falsified(proof, other, change), anchor)

    assert status == 1, said
    assert "PROVEN, in seal" not in said


@pytest.mark.parametrize("change", [{"seal_hash": "00" * 32}, {"operator_id": str(uuid4())}])
def test_the_pages_script_refuses_another_anchor(script, proven, change):
    proof, _, anchor = proven

    status, said = script(proof, {**anchor, **change})

    assert (status, "NOT PROVEN" in said) == (1, True)


def test_a_root_that_was_made_to_fit_does_not_lead_to_the_anchor(script, proven):
    """Whoever forges an event can compute a root, a seal and its hash to fit: only the anchor tells."""
    proof, _, anchor = proven
    forged = copy.deepcopy(proof)
    forged["event"]["payload"]["cartridge_left_ml"] = 99
    first = forged["seals"][0]
    first.update(root=hashlib.sha256(b"\x00" + plainly(forged["event"])).hexdigest(), count=1)
    first["seal_hash"] = hashlib.sha256(
        plainly({k: v for k, v in first.items() if k != "seal_hash"})
    ).hexdigest()
    forged.update(index=0, path=[], seals=[first])

    assert "no seal fits the anchor" in script(forged, anchor)[1]
    # The counter-check: with the forger's own anchor it would pass.
    assert script(forged, {**anchor, "seal_hash": first["seal_hash"]})[0] == 0


def test_an_event_that_is_not_sealed_yet_has_no_proof(north):
    event = north.installed()
    north.upload(event)

    answer = signed_in(north).read(f"service-events/{event['id']}/proof")

    assert answer.status_code == 409
    assert "not sealed yet" in answer.json()["detail"]
    with north.reading(), pytest.raises(Conflict):
        seals.get_proof(UUID(event["id"]))


def test_the_command_prints_the_proof_that_the_door_gives(north, capsys):
    event = north.installed()
    north.upload(event)
    seal(actor=north.owner, at_once=True)

    call_command("prove_event", event["id"])

    assert (
        json.loads(capsys.readouterr().out)
        == signed_in(north).read(f"service-events/{event['id']}/proof").json()
    )
    with pytest.raises(CommandError, match="no event"):
        call_command("prove_event", str(uuid4()))
