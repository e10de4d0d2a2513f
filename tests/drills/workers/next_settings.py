"""The settings of the release after this one."""

from config.settings import *  # noqa: F403

MIGRATION_MODULES = {"servicing": "tests.drills.workers.next_release"}
