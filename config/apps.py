from importlib import import_module

from django.apps import AppConfig


class ConfigConfig(AppConfig):
    name = "config"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        # Tasks are sent through this application wherever Django runs, not only in workers.
        import_module("config.celery")
        import_module("config.checks")
