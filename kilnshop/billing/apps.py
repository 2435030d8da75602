from django.apps import AppConfig


class BillingConfig(AppConfig):
    name = "kilnshop.billing"
    label = "billing"
