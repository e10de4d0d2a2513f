from django.apps import AppConfig


class DemoTenantConfig(AppConfig):
    name = "demo_tenant"
    default_auto_field = "django.db.models.BigAutoField"
