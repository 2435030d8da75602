from django.apps import AppConfig


class TicketsConfig(AppConfig):
    name = "kilnshop.tickets"
    label = "tickets"
