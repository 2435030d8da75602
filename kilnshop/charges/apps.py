from django.apps import AppConfig


class ChargesConfig(AppConfig):
    name = "kilnshop.charges"
    label = "charges"
