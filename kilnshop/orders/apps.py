from django.apps import AppConfig


class OrdersConfig(AppConfig):
    name = "kilnshop.orders"
    label = "orders"
