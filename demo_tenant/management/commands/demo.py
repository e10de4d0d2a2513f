"""Make the invented world, play it, sweep it, say what was found, and serve it."""

from __future__ import annotations

import json
import os
import signal
import sys
import time
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError

from accounts import clock
from config.embedded import ServersError
from config.supervisor import HOST, NotServingError, Supervisor, beat, relay, require_free_port, web, worker
from demo_tenant import hosting, queries
from demo_tenant.commands import store_world
from demo_tenant.models import World
from demo_tenant.presets import DEFAULT_SEED, PRESETS, span_of
from demo_tenant.seed import play, sweep_everyone
from demo_tenant.story import tell_each
from demo_tenant.telling import PASSWORD, program, sights, sign_ins, summary

IN_JSON = (
    "name",
    "sites",
    "units",
    "events",
    "due",
    "past_grace",
    "wick_watch",
    "dry_soon",
    "invoices",
    "invoiced",
    "currency",
)
RUN_FOLDER = Path(os.environ.get("WICKROUND_RUN_FOLDER", settings.BASE_DIR / ".run"))


class Command(BaseCommand):
    help = (
        "Play an invented world and serve it; without database addresses, on servers of its own under .run/."
    )
    requires_system_checks = ()

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument(
            "--preset", choices=sorted(PRESETS), default="quick", help="How large: tiny, quick or full."
        )
        parser.add_argument(
            "--as-of", type=date.fromisoformat, help="The world's last day; default yesterday."
        )
        parser.add_argument("--seed", default=DEFAULT_SEED, help="Another seed, another world.")
        parser.add_argument("--fresh", action="store_true", help="Drop the demo database and play anew.")
        parser.add_argument("--no-serve", action="store_true", help="End when the world is played and swept.")
        parser.add_argument(
            "--json", action="store_true", help="One JSON object as the last line of the output."
        )
        parser.add_argument("--port", type=int, default=8000, help="The web server's port on 127.0.0.1.")

    def handle(self, *args: Any, **options: Any) -> None:
        wanted = hosting.Wanted(options["preset"], options["seed"], options["as_of"])
        try:
            if not options["no_serve"]:
                require_free_port(options["port"])
            # Where the links of the mails in the demo's folder lead.
            os.environ.setdefault("WICKROUND_PUBLIC_URL", f"http://127.0.0.1:{options['port']}")
            if hosting.has_own_servers(os.environ):
                self._on_these_servers(wanted, options)
            elif status := hosting.run_on_embedded(RUN_FOLDER, wanted, sys.argv[1:], fresh=options["fresh"]):
                sys.exit(status)
        except (ServersError, NotServingError) as error:
            raise CommandError(str(error)) from error
        except KeyboardInterrupt as interrupt:
            raise CommandError(
                "Stopped before the world was ready; run it again to begin anew."
            ) from interrupt

    def _on_these_servers(self, wanted: hosting.Wanted, options: dict[str, Any]) -> None:
        signal.signal(signal.SIGTERM, _interrupt)
        RUN_FOLDER.mkdir(exist_ok=True)
        call_command("migrate", database="migrate", verbosity=0)
        world = queries.get_world()
        if world is not None and not wanted.is_held_by((world.preset, world.seed, world.as_of)):
            raise CommandError(
                f"This database holds another world ({world}). Give an empty database, or leave the addresses out."
            )
        if world is None:
            world = self._play(wanted)
        # On servers of one's own too: no page of an invented world goes without its label.
        offset = {
            clock.OFFSET_VARIABLE: str(world.clock_offset.total_seconds()),
            "WICKROUND_NOTICE": hosting.NOTICE,
            # Its passwords are printed: nobody is made to bring an authenticator, and whoever wants to sets one up.
            "WICKROUND_SECOND_FACTOR": os.environ.get("WICKROUND_SECOND_FACTOR", "no"),
        }
        os.environ.update(offset)
        with Supervisor(offset) as supervisor:
            supervisor.start(worker())
            self._say("A worker sweeps each operator.")
            sweep_everyone()
            self._tell(world, options)
            if not options["no_serve"]:
                self._serve(supervisor, world, options)

    def _play(self, wanted: hosting.Wanted) -> World:
        as_of = wanted.as_of or datetime.now(UTC).date() - timedelta(days=1)
        started = time.monotonic()
        self._say(f"Telling the {wanted.preset} world as of {as_of:%a} {as_of.day} {as_of:%b %Y}.")
        played = [play(story, PASSWORD, self._say) for story in tell_each(wanted.preset, as_of, wanted.seed)]
        seconds = time.monotonic() - started
        return store_world(
            preset=wanted.preset,
            seed=wanted.seed,
            as_of=as_of,
            digest=queries.digest(),
            events=sum(one.accepted for one in played),
            seconds=round(seconds, 1),
            ends_at=span_of(PRESETS[wanted.preset], as_of).ends_at,
            played_at=datetime.now(UTC),
        )

    def _tell(self, world: World, options: dict[str, Any]) -> None:
        found = queries.found()
        self._for_people(summary(world, found), options)
        if options["json"]:
            operators = [{name: one[name] for name in IN_JSON} for one in found]
            said = {name: getattr(world, name) for name in ("preset", "seed", "digest", "seconds")}
            self.stdout.write(json.dumps({**said, "as_of": str(world.as_of), "operators": operators}))
            self.stdout.flush()

    def _serve(self, supervisor: Supervisor, world: World, options: dict[str, Any]) -> None:
        port = options["port"]
        supervisor.start(web(port))
        supervisor.start(relay())
        supervisor.start(beat(RUN_FOLDER))
        supervisor.wait_for_web(port)
        self._for_people(f"\n{sign_ins()}\n\n{program()}\n\n{sights(world)}\n\n{hosting.NOTICE}", options)
        self._for_people(f"Serving at http://{HOST}:{port}/ until Ctrl-C.", options)
        supervisor.watch()
        self._say("Ending.")

    def _for_people(self, text: str, options: dict[str, Any]) -> None:
        """On standard output, unless that is for a program."""
        stream = self.stderr if options["json"] else self.stdout
        stream.write(text)
        stream.flush()

    def _say(self, text: str) -> None:
        self.stderr.write(text)
        self.stderr.flush()


def _interrupt(*_: Any) -> None:
    raise KeyboardInterrupt
