from django.apps import AppConfig


class FleetConfig(AppConfig):
    name = "fleet"
    default_auto_field = "django.db.models.BigAutoField"
