from django.apps import AppConfig


class ServicingConfig(AppConfig):
    name = "servicing"
    default_auto_field = "django.db.models.BigAutoField"
