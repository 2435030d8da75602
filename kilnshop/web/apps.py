from django.apps import AppConfig


class WebConfig(AppConfig):
    name = "kilnshop.web"
    label = "web"
